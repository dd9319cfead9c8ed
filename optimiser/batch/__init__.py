"""Many scenarios at once: side by side, sizes, fleets, sweeps."""
