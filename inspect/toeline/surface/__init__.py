"""Surface room."""
