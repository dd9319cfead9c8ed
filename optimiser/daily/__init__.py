"""What an owner asks of a running site: how the past days did, what to do tomorrow."""
