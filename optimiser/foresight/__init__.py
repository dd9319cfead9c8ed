"""The year run without knowing it: what each policy sees, how it plans, what a controller makes of the plans."""
