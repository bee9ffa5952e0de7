"""Where alerts go besides the page."""
