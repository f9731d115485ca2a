"""Lists that are answered in pages: the options that filter one, and the whole of one."""

import argparse
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from marshmallow import Schema

from service.cli.refusals import loaded, option_faults
from service.domain.errors import InvalidDocumentError

PAGE = 200
MORE = "There are more: ask for less, or give a greater --limit."

Filters = Mapping[str, tuple[str, str, str]]
"""The fields of a list's query, each with its option, what stands for its value, and what it means."""


def add_filters(command: argparse.ArgumentParser, filters: Filters) -> None:
    """Add the options of a list."""
    for name, (option, metavar, what) in filters.items():
        command.add_argument(option, metavar=metavar, dest=name, help=what)


def asked_of(options: argparse.Namespace, filters: Filters, schema: Schema) -> Any:
    """Return what the options ask for, as the schema of the list's query loads it.

    Raises:
        InvalidDocumentError: invalid_option: every fault, at its option.
    """
    told = {name: getattr(options, name) for name in filters}
    return loaded(schema, told, _options(filters))


@contextmanager
def faults_at_filters(filters: Filters) -> Iterator[None]:
    """Name what a use case refuses of a list's query by its option."""
    try:
        yield
    except InvalidDocumentError as error:
        raise option_faults(error.errors, _options(filters)) from None


def _options(filters: Filters) -> dict[str, str]:
    return {name: option for name, (option, *_) in filters.items()}


def every_item(ask: Callable[..., Any]) -> Iterator[dict[str, Any]]:
    """Yield every item of a list; `ask` is a use case that waits for `after` and `limit`."""
    after = None
    while True:
        page = ask(after=after, limit=PAGE)
        yield from page.items
        after = page.after
        if after is None:
            return
