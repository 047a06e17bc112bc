"""Positions followed in time: a filter over readings, native and plain."""
