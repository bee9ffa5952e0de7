"""Rule review over a drive. Pure."""
