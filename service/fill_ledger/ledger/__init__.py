"""The append-only log of facts: append, read, digest chain, sealing."""
