"""Fill Ledger: an event-sourced ledger of breathing-air cylinder fills for fire departments."""
