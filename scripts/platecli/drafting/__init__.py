"""From raw folders to a draft of a project file.

`raw_folders` looks folders through; `trial_exposures` finds focus and test exposures, `targets`
groups the others by OBJECT and pointing; `survey` lists the frames of each target as its draft
would, and drops channels without lights; `calibration_advice` chooses what to do where no
calibration frames fit; `draft` writes the file, `draft_summary` the lines on the console. `doubts`
asks the same of new lights in `check`. The list of frames and the matching are those of a run, so
`check` accepts each draft; a test tries invented folders of all kinds.
"""
