"""Scale room."""
