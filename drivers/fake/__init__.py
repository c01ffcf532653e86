"""The fake robot and the courses it drives on: a world in which behaviours can be tried, seeded and repeatable."""
