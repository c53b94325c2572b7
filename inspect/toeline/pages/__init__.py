"""Pages room."""
