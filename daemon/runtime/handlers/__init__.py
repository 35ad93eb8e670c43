"""What the API may ask of a running daemon: a module for each kind, with its typed wish, how that is read from a
request's JSON, and what is then done. All of it runs on the loop's thread; nothing here knows HTTP.
"""
