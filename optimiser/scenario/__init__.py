"""The only reader of a scenario file, what it may hold beside equipment and tariff, a practitioner's warnings."""
