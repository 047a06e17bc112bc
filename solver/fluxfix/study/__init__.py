"""Studies of a rig: what a design reaches, as numbers."""
