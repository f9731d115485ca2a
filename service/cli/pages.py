"""Lists that are answered in pages, read to their end."""

from collections.abc import Callable, Iterator
from typing import Any

PAGE = 200


def every_item(ask: Callable[..., Any]) -> Iterator[dict[str, Any]]:
    """Yield every item of a list; `ask` is a use case that waits for `after` and `limit`."""
    after = None
    while True:
        page = ask(after=after, limit=PAGE)
        yield from page.items
        after = page.after
        if after is None:
            return
