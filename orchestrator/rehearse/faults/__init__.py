"""The fault test: every fault at every point of a rehearsed run, judged from the physics and the record."""
