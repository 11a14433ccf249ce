"""An embedded PostgreSQL server for the laptop, the demonstration and the tests."""
