"""A deterministic generator of an invented county for the demonstration."""
