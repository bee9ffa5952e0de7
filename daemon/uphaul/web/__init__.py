"""The page that the daemon serves."""
