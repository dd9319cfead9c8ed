"""Series that nobody measured, made by name: sun, standard loads, monthly totals, other years."""
