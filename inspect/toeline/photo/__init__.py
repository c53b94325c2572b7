"""Photo room."""
