"""Series from files onto the timeline: how much is read, what is refused, forecasts with issue times."""
