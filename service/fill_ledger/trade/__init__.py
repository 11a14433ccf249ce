"""What the trade knows: events, states as folds, rules. Pure: no I/O, no clock, no framework."""
