"""The demo: an invented harbour seal survey in Skarvik Bay, played through the real actions.

Promises: nothing here is real; the same scenario every time (fixed seed), with dates that follow today.
"""
