"""What must be shown on a visit: the procedure files, as data."""
