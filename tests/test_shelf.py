"""Where drivers and procedures lie, and whose comes first."""

from __future__ import annotations

from pathlib import Path

import pytest

from metercap import shelf
from metercap.errors import DriverError, OperatorError, ProcedureError

OWN = """
id = "{id}"
title = "My own"
version = "9"
[[step]]
id = "lamp"
title = "Lamp"
do = "Look."
say = "Look."
source = "the firm's rule"
answers = ["lit", "dark"]
accept = ["lit"]
"""


@pytest.fixture
def data(tmp_path: Path) -> Path:
    (tmp_path / "procedures").mkdir()
    (tmp_path / "drivers").mkdir()
    return tmp_path


def put(data: Path, name: str, text: str) -> Path:
    path = data / "procedures" / f"{name}.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_data_directory_is_the_given_one_then_the_named_one_then_the_desktops(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("HOME", "/home/someone")
    monkeypatch.delenv("METERCAP_DATA", raising=False)
    monkeypatch.delenv("XDG_DATA_HOME", raising=False)
    assert shelf.find_data(None) == Path("/home/someone/.local/share/metercap")
    monkeypatch.setenv("XDG_DATA_HOME", "/xdg")
    assert shelf.find_data(None) == Path("/xdg/metercap")
    monkeypatch.setenv("METERCAP_DATA", "/named")
    assert shelf.find_data(None) == Path("/named")
    assert shelf.find_data(Path("given")) == Path("given")


def test_without_a_directory_of_ones_own_there_is_what_is_shipped(tmp_path: Path) -> None:
    assert "spur-visit" in shelf.load_procedures(tmp_path / "none")
    assert "bench-segments" in shelf.load_drivers(tmp_path / "none")


def test_ones_own_comes_before_the_shipped_of_the_same_id(data: Path) -> None:
    put(data, "spur-fuse", OWN.format(id="spur-fuse"))
    assert shelf.load_procedure(data, "spur-fuse")[1].title == "My own"
    # and what includes it includes the own one
    whole = shelf.load_procedure(data, "spur-fuse")[1]
    assert [step.id for step in whole.step] == ["lamp"]


def test_a_procedure_may_be_named_by_its_file(data: Path, tmp_path: Path) -> None:
    path = put(data, "mine", OWN.format(id="mine").replace('"9"', '"9"\ninclude = ["spur-fuse"]'))
    own, whole = shelf.load_procedure(tmp_path / "none", str(path))
    assert (own.id, own.include) == ("mine", ("spur-fuse",))
    assert [step.id for step in whole.step] == ["fuse-continuity", "fuse-marking", "lamp"]


def test_what_is_not_there_is_named_with_what_is(data: Path) -> None:
    with pytest.raises(OperatorError, match=r"^procedure 'x': not found, expected one of .*spur-v"):
        shelf.load_procedure(data, "x")
    with pytest.raises(OperatorError, match=r"^driver 'x': not found, expected one of .*bench-seg"):
        shelf.load_driver(data, "x")


def test_a_file_that_cannot_be_read_is_named(data: Path) -> None:
    with pytest.raises(ProcedureError, match=r"none.toml: cannot be read: "):
        shelf.load_procedure(data, str(data / "none.toml"))
    with pytest.raises(DriverError, match=r"none.toml: cannot be read: "):
        shelf.load_driver(data, str(data / "none.toml"))
    path = put(data, "latin", "")
    path.write_bytes(b'id = "latin"\ntitle = "caf\xe9"')
    with pytest.raises(ProcedureError, match=r"latin.toml: cannot be read: "):
        shelf.load_procedures(data)


def test_a_file_under_another_name_is_refused(data: Path) -> None:
    put(data, "other", OWN.format(id="mine"))
    with pytest.raises(ProcedureError, match=r"other.toml: id: found 'mine', expected the file"):
        shelf.load_procedures(data)


def test_a_users_own_net_comes_before_a_shipped_one(data: Path) -> None:
    shipped = shelf.load_nets(data)["combination-mains-stat"]
    text = (Path(shelf.__file__).parent / "procedure" / "nets" / f"{shipped.id}.toml").read_text(
        encoding="utf-8"
    )
    (data / "nets").mkdir()
    (data / "nets" / f"{shipped.id}.toml").write_text(
        text.replace(shipped.title, "As the firm wires it"), encoding="utf-8"
    )

    _, whole = shelf.load_procedure(data, "walk-combination-mains-stat")

    assert whole.circuit is not None
    assert whole.circuit.wiring is not None
    assert whole.circuit.wiring.title == "As the firm wires it"
