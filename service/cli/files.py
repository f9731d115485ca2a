"""What a command reads: a file, or standard input."""

import sys
from pathlib import Path

from schemas.strict_json import MOST_BYTES
from service.cli.refusals import UnreadableFileError

STANDARD_INPUT = "-"


def bytes_of(name: str) -> bytes:
    """Return what a file holds, of one that is too large the beginning; `-` is standard input.

    Raises:
        UnreadableFileError: it is not there, is a folder, or can't be opened.
    """
    if name == STANDARD_INPUT:
        return sys.stdin.buffer.read(MOST_BYTES + 1)
    try:
        with Path(name).open("rb") as file:
            return file.read(MOST_BYTES + 1)
    except IsADirectoryError:
        message = f"{name} is a folder; give one file"
    except OSError as error:
        message = f"{name}: {(error.strerror or 'it can not be opened').lower()}; look at its name and rights"
    except ValueError:
        message = "a file's name has no U+0000 in it"
    raise UnreadableFileError(message)
