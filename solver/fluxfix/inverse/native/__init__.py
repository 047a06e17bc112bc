"""The native evaluator's C, and how it is compiled: by the standard library alone, since the wheel is built by it."""
