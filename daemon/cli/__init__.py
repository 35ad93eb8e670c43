"""The command line. Results go to stdout, the rest to stderr; exit 0 well, 1 failed, 2 usage or configuration."""

from daemon.cli.main import main

__all__ = ["main"]
