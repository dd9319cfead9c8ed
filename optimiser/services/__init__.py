"""What ancillary services require and pay: products, dated sets of them, droop."""
