"""Members, their credentials and sessions."""
