"""The runner: one procedure on one unit. It knows the core and the protocols in protocols.py, nothing else."""
