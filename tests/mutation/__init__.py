"""Mutation testing of the rules: every change of the code that no test notices is shown (`make mutants`)."""
