"""Template words: how codes, times, volumes and answers are written on every page."""
