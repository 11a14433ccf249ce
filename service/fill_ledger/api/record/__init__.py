"""Facts as they come in, and what the ledger keeps and thinks of them."""
