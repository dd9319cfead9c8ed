"""Many sites behind one aggregator: solved apart, offers joined into bids that a market takes, income shared again."""
