"""Which release of the service answers."""

from importlib.metadata import PackageNotFoundError, version

NOT_INSTALLED = "0+not-installed"


def service_version() -> str:
    """Return the installed release; a checkout that is not installed has none."""
    try:
        return version("rts-service")
    except PackageNotFoundError:
        return NOT_INSTALLED
