"""The model of a rig: kinematics, sensors, builds and their readings."""
