"""Pictures of a recording: course, path driven, decisions, faults and sensor traces on one sheet.

Where to look: `scene` (what a backend may give to be drawn), `traces` (a recording as arrays), `labels` (where words
go so that none lies on another), `course_map`, `panels` and `event_list` (the parts of the sheet), `sheet` (the whole).
Rules: for the laptop only; this file imports none of them, so that numpy and matplotlib load when a picture is asked
for. What a picture shows is worked out from the recording alone, and the same recording gives the same bytes.
"""
