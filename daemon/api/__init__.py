"""The one server: the local API that the command line asks, and beside it the page."""
