"""Results as text, page, pictures and tables."""
