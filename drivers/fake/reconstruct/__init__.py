"""From a recorded run to a course: where the line must have run for the readings to be what they were.

Where to look: `onward` (the world that a recording goes on in), `making` (the whole way, and when it refuses), and in
the order of work `tracking` (where the eyes went and what they saw), `line` (where the line was between them, and
what slip did to the encoders), `route` (what was followed, and what lies between), `paint` and `features` (what lies
on and beside the line), `fitting` and `drawing` (few straights and arcs), `writing` (the course's text), `checking`
(drives the recorded way over the new floor and compares).

What cannot be told from a recording, and is not: branches that were not driven (drawn 100 mm long), gaps under 95 mm
(a thin line between the eyes looks the same), the skew of bumps, the shape and colour of obstacles (drawn round and
blue), silver and green strips, a zone. Places are the encoders': over a whole course off by centimetres to decimetres.
"""
