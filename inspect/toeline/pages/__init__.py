"""The pages: guard → widgets → one call → draw. Nothing here measures, judges or reasons."""
