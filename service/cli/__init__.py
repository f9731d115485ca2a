"""The command line `rts-service`."""

from service.cli.command_line import main

__all__ = ["main"]
