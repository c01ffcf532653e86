"""The walled zone: entry over silver, sweep, collecting, sorting, deposit and exit over green."""
