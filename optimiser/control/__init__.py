"""The local controller: the plant step by step, plain self-consumption, timed rules."""
