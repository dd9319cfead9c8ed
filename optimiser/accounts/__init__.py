"""Settled money: the statement of a schedule, bills of a load as it is, a contract by the hour."""
