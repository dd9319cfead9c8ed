"""The verbs in which amounts and limits are said once, and their two readings: the linear program and the books."""
