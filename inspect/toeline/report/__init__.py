"""Report room."""
