"""PostgreSQL pools and migrations."""
