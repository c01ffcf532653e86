"""The walled zone: what a course says of it, the objects in it, gripper and sorter, and what became of each object.

The words of the course format are in `../course/FORMAT.md`, the machine in `MECHANICS.md` beside this file.
"""
