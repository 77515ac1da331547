"""The simulated bench: a board in time, the instruments that measure it, and what carries their messages."""
