"""Everything that touches a world: devices, the fake robot and its course, the serial brick, recordings."""
