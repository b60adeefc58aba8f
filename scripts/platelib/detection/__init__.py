"""Stars of one frame: found, measured, and told from trails and other detections."""
