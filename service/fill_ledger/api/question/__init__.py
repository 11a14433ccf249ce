"""The question before a fill, and the rules that answer it."""
