"""What the robot does. Knows readings in SI units and commands; never a driver, port, clock or file."""
