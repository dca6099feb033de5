"""Loggers, their files and readings, and how warm each tube was."""
