"""From a recorded run to a course: where the line must have run for the readings to be what they were.

Where to look: `onward` (the world that a recording goes on in), `making` (the whole way), and in the order of work
`tracking` (where the eyes went and what they saw), `features` (what lies on the way), `fitting` (few straights and
arcs), `writing` (the course's text), `checking` (drives the recorded way over the new floor and compares).
"""
