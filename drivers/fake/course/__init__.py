"""Courses: the text format, the floor a sensor sees, relief, solids, the route a judge follows, and a generator.

Everything here knows nothing of robots. The format is described in FORMAT.md beside this file.
"""
