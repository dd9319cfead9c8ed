"""The equipment walked step by step, with and without its grid, and its answer to calls."""
