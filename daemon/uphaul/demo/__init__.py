"""The invented vehicle, on its own equations. Pure."""
