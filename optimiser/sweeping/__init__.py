"""Many variants of a scenario: planned, worked out wherever there are cores, kept as they come, and drawn together."""
