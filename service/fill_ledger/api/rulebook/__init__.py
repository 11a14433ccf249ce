"""The rulebook over HTTP: the codes of the rules, and the dated data they go by."""
