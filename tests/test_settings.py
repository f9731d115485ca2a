"""What the operator chooses is read once, strictly, and every fault is named."""

import dataclasses

import pytest

from service.settings import VARIABLES, Settings, SettingsError


def test_without_an_environment_the_service_listens_to_its_own_machine_only():
    settings = Settings.from_environment({})

    assert settings == Settings()
    assert (settings.host, settings.port, settings.trusted_proxies) == ("127.0.0.1", 8321, 0)
    assert settings.database_url == "sqlite:///rts-data/record.sqlite"


def test_every_setting_is_read_from_its_variable():
    environ = {
        "RTS_DATABASE_URL": "postgresql+psycopg://rts@127.0.0.1/rts",
        "RTS_HOST": "0.0.0.0",  # noqa: S104  # an operator may choose so
        "RTS_PORT": "80",
        "RTS_THREADS": "4",
        "RTS_TRUSTED_PROXIES": "1",
        "RTS_URL_PREFIX": "/rts",
        "RTS_LOG_LEVEL": "Warning",
        "RTS_IDLE_MINUTES": "15",
        "HOME": "/nowhere",
    }
    values = dataclasses.astuple(Settings.from_environment(environ))

    assert values == ("postgresql+psycopg://rts@127.0.0.1/rts", "0.0.0.0", 80, 4, 1, "/rts", "warning", 15)  # noqa: S104


def test_every_setting_has_its_variable():
    assert {field for field, _ in VARIABLES.values()} == {field.name for field in dataclasses.fields(Settings)}
    assert all(name == f"RTS_{field.upper()}" for name, (field, _) in VARIABLES.items())


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("RTS_PORT", "65536"),
        ("RTS_PORT", "-1"),
        ("RTS_PORT", "8_0"),
        ("RTS_PORT", ""),
        ("RTS_THREADS", "0"),
        ("RTS_THREADS", "257"),
        ("RTS_TRUSTED_PROXIES", "11"),
        ("RTS_URL_PREFIX", "rts"),
        ("RTS_URL_PREFIX", "/rts/"),
        ("RTS_URL_PREFIX", "//elsewhere"),
        ("RTS_LOG_LEVEL", "loud"),
        ("RTS_IDLE_MINUTES", "4"),
        ("RTS_HOST", " "),
        ("RTS_DATABASE_URL", ""),
        ("RTS_DATABSE_URL", "sqlite:///x"),
    ],
)
def test_a_setting_that_can_not_be_used_is_named(name, value):
    with pytest.raises(SettingsError) as caught:
        Settings.from_environment({name: value})

    assert list(caught.value.faults) == [name]
    assert name in str(caught.value)


@pytest.mark.parametrize(
    ("name", "value"), [("RTS_PORT", "0"), ("RTS_PORT", "65535"), ("RTS_URL_PREFIX", ""), ("RTS_URL_PREFIX", "/a/b-c")]
)
def test_a_setting_at_its_bound_is_taken(name, value):
    assert Settings.from_environment({name: value})


def test_all_faults_are_told_at_once():
    with pytest.raises(SettingsError) as caught:
        Settings.from_environment({"RTS_PORT": "x", "RTS_THREADS": "y"})

    assert set(caught.value.faults) == {"RTS_PORT", "RTS_THREADS"}
