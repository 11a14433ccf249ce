"""The suite. Its folders mirror the package; standards, faults and bench stand beside them."""
