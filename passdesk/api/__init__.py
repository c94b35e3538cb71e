"""The API under /api/v1, for readers and for other systems."""
