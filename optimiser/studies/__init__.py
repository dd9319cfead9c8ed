"""More that is worked out of a run, one file a study, and their catalogue."""
