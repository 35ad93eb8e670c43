"""Answers as JSON and as sentences, the same for the command line, the API and the page.

Reports and decisions come in; documents go out. Nothing is printed, served or read from a socket here.
"""
