"""The sizes that leave most a year once they are paid for, proven by bounds from the answers already had."""
