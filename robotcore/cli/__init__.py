"""The command line: the only place that finds drivers and behaviours, by name at run time."""
