"""The local API: how the command line, and later the page, reach the running daemon."""
