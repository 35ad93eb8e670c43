"""The running daemon: the one loop that owns all state, the service around it, its watchdog and its answers.

Events come in; orders, rows and answers go out. It is the only room in which live parts are started.
"""
