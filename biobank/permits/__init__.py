"""Permits and agreements: the register, what is used of each, and whether they cover what is sent."""
