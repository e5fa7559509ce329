"""The checks; a package, so that `python -m tests.physics.campaign` and imports between areas work."""
