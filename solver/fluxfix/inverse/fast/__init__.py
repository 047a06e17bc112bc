"""The fast form of a rig's readings and the evaluators that solve on it."""
