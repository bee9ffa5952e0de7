"""Where samples come from, one module each."""
