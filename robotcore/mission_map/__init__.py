"""A mission as a map: its states and the ways between them, worked out from the code itself.

Rules: nobody draws or annotates anything, so the map cannot go stale. A state is a behaviour that is awaited; the ways
between states are the order of the code, its loops, branches and returns, with the conditions in its own words. The
same code gives the same map to the last byte.

Where to look: `model` (what a map is made of), `code` (from a name in a behaviour to the source behind it), `flow`
(from statements to states and ways), `words` (conditions as people read them), `visits` (the path that a run took),
`layout`, `svg` and `dot` (the two pictures), `report` (the path as a table).
"""
