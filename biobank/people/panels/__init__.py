"""The panels of the first page, by room."""
