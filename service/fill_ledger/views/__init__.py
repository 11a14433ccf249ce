"""Current state and history tables, folded from the ledger, one file a view."""
