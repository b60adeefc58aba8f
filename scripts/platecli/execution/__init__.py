"""How work is started, watched and stopped: Snakemake, the step server, the environment."""
