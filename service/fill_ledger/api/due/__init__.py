"""What comes due, and the judgement of a whole fleet in one call. Nothing here is recorded."""
