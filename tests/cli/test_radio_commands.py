"""`scan` and `watch` with the platform's own Bluetooth library, on the emulated service."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

from cli.bench import ADDRESS, DECODER, SEGMENTS, ohms, play, put_meter, volts
from cli.command import COMMAND, metercap_, surroundings
from fake_bluez import BluezProcess

KEYS = [
    *("phenomenonTime", "resultTime", "quantity", "value", "unit", "status", "coupling"),
    *("function", "seq", "driver", "raw"),
]
STRANGER = {
    "do": "meter",
    "address": "C0:FF:EE:00:00:08",
    "name": "\x1b[2JOther",
    "service": "0000180f-0000-1000-8000-00805f9b34fb",
    "notify": "00002a19-0000-1000-8000-00805f9b34fb",
    "rssi": -80,
}


def test_a_scan_names_the_driver_that_fits_or_says_why_none_does(bluez: BluezProcess) -> None:
    put_meter(bluez)
    bluez.send(STRANGER)
    seen = metercap_("scan", "--seconds", "0.5")
    assert (seen.code, seen.err) == (0, "")
    ours, stranger = seen.lines
    assert ours.split() == [ADDRESS, "BENCH-SEG", "4", "-58", "dBm", "driver", "bench-segments"]
    assert re.search(r"no driver: none of \d+ drivers fits", stranger)
    assert "\x1b" not in stranger
    ours_json, stranger_json = metercap_("scan", "--seconds", "0.5", "--json").rows
    assert ours_json["driver"] == "bench-segments"
    assert (ours_json["address"], ours_json["name"]) == (ADDRESS, "BENCH-SEG 4")
    assert (stranger_json["driver"], stranger_json["rssi"]) == (None, -80)
    assert re.match(r"none of \d+ drivers fits", stranger_json["why"])


def test_an_empty_room_is_no_error(bluez: BluezProcess) -> None:
    assert bluez.send({"do": "state"})["connected"] == []
    assert metercap_("scan", "--seconds", "0.2", "--json") == (0, "", "")
    assert "is the meter switched on" in metercap_("scan", "--seconds", "0.2").out


def test_what_a_person_can_do_about_bluetooth_is_said_in_one_line(
    bluez: BluezProcess, tmp_path: Path
) -> None:
    bluez.send({"do": "power", "on": False})
    off = "the Bluetooth adapter is off: switch it on"
    assert metercap_("scan", "--seconds", "0.2").complaint.startswith(off)
    assert metercap_("watch", ADDRESS).complaint.startswith(off)
    run = metercap_("run", "spur-dead-tests", "--meter", ADDRESS, "--data", tmp_path)
    assert run.complaint.startswith(off)
    assert not (tmp_path / "journal.sqlite").exists()
    bluez.send({"do": "adapter", "present": False})
    assert metercap_("scan", "--seconds", "0.2").complaint.startswith("no Bluetooth adapter")
    bluez.close()
    assert metercap_("scan").complaint.startswith("no Bluetooth service on the system bus")
    nowhere = {"DBUS_SYSTEM_BUS_ADDRESS": f"unix:path={tmp_path}/none"}
    assert metercap_("scan", env=nowhere).complaint.startswith("no system message bus")


def test_watch_prints_what_the_meter_shows_and_refuses_what_it_does_not(
    bluez: BluezProcess,
) -> None:
    put_meter(bluez)
    play(bluez, [ohms("0.36"), volts("243.1"), ohms(None), "6d57"], loop=True)
    found = metercap_("watch", ADDRESS, "--seconds", "2.5")
    assert found.code == 0
    shown = [line.split("  ", 1)[1] for line in found.lines[:4]]
    assert shown == [
        "0.36 Ohm",
        "243.1 V ac",
        "more than 60.00 MOhm",
        "refused: cut: found 2 bytes, expected 10",
    ]
    assert [line.split("  ")[1] for line in found.err.splitlines()] == [
        "connected",
        "link ended: closed",
    ]


def test_watch_as_json_has_the_keys_of_the_contract(bluez: BluezProcess) -> None:
    put_meter(bluez)
    garbled = "ff" + ohms("0.36")[2:]
    play(bluez, [ohms("0.36"), volts("243.1"), ohms(None), garbled], loop=True)
    command = ("watch", ADDRESS, "--driver", SEGMENTS, "--seconds", "1", "--json")
    number, mains, over, invalid = metercap_(*command).rows[:4]
    assert list(number) == KEYS
    assert list(mains) == KEYS
    assert (number["value"], number["unit"], number["coupling"]) == ("0.36", "Ohm", None)
    assert (mains["value"], mains["coupling"], mains["status"]) == ("243.1", "ac", "ok")
    assert set(over) == {*KEYS, "ceiling"} - {"value"}
    assert (over["status"], over["ceiling"], over["unit"]) == ("over", "60.00", "MOhm")
    assert set(invalid) == {*KEYS, "reason"} - {"value"}
    assert (invalid["status"], invalid["raw"]) == ("invalid", garbled)
    rows = (number, mains, over, invalid)
    assert [row["seq"] for row in rows] == [1, 2, 3, 4]
    assert {row["driver"] for row in rows} == {"bench-segments"}
    assert number["raw"] == DECODER.encode(DECODER.decode(bytes.fromhex(number["raw"]))[0][0]).hex()  # type: ignore[arg-type]


def test_watch_goes_on_after_the_link_has_dropped(bluez: BluezProcess) -> None:
    put_meter(bluez)
    play(bluez, [ohms("0.36")], loop=True)
    bluez.send({"do": "fault", "kind": "no-services", "times": 1})
    found = metercap_("watch", ADDRESS, "--driver", "bench-segments", "--seconds", "2.5")
    assert found.code == 0
    assert "no link: " in found.err
    assert "connected" in found.err
    assert "0.36 Ohm" in found.out


def test_a_meter_that_never_answers_is_no_success(bluez: BluezProcess) -> None:
    put_meter(bluez)
    silent = metercap_("watch", ADDRESS, "--driver", "bench-segments", "--seconds", "0.5")
    assert silent.code == 2
    last = silent.err.splitlines()[-1]
    assert last == f"metercap: {ADDRESS}: found no reading within 0.5 s"
    bluez.send(STRANGER)
    other = metercap_("watch", STRANGER["address"])
    assert "says in a known way what it measures: record some of its frames" in other.complaint
    assert other.complaint.endswith("name a driver with --driver")


# Volts with three decimals as sint32, 0 to 1000 V, RMS over one second.
TOLD = {
    "2904": "10FD2827010000",
    "2901": b"AC voltage, line to neutral".hex(),
    "2906": "0000000040420f00",
    "290c": "0000 03 010000 010000 00 00".replace(" ", ""),
}


def test_a_meter_that_describes_itself_is_read_with_no_file(bluez: BluezProcess) -> None:
    put_meter(
        bluez,
        "Panel",
        service="de5c0000-e492-47f0-9b6d-c81a5703f2be",
        notify="de5c0002-e492-47f0-9b6d-c81a5703f2be",
        descriptors=TOLD,
    )
    volts_, over, end = ((n).to_bytes(4, "little").hex() for n in (230125, 1000001, 0x7FFFFFFF))
    play(bluez, [volts_, over, end], loop=True)
    found = metercap_("watch", ADDRESS, "--seconds", "2", "--json")

    assert found.code == 0
    assert f"{ADDRESS}: no driver fits; it describes itself: main: voltage ac in V" in found.err
    rows = {row["raw"]: row for row in found.rows}
    assert (rows[volts_]["value"], rows[volts_]["unit"]) == ("230.125", "V")
    assert (rows[volts_]["coupling"], rows[volts_]["status"]) == ("ac", "ok")
    assert (rows[over]["status"], rows[over]["ceiling"]) == ("over", "1000.000")
    assert rows[end]["status"] == "invalid"
    assert re.fullmatch(r"found-de5c0002-[0-9a-f]{8}", rows[over]["driver"])


def test_a_scan_says_who_holds_a_meter_that_cannot_be_heard(bluez: BluezProcess) -> None:
    put_meter(bluez)
    play(bluez, [ohms("0.36")], loop=True)
    watching = subprocess.Popen(
        [*COMMAND, "watch", ADDRESS, "--driver", "bench-segments"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=surroundings(PYTHONUNBUFFERED="1"),
    )
    with watching:
        assert watching.stdout is not None
        assert b"0.36 Ohm" in watching.stdout.readline()
        (held,) = metercap_("scan", "--seconds", "0.2").lines
        (row,) = metercap_("scan", "--seconds", "0.2", "--json").rows
        watching.terminate()

    assert held.split()[:4] == [ADDRESS, "BENCH-SEG", "4", "held"]
    assert held.endswith("a program of this machine is connected to it already: end that program")
    assert (row["address"], row["driver"]) == (ADDRESS, None)
    assert "connected to it already" in row["why"]


def test_a_scan_says_how_to_read_a_meter_that_no_driver_names(bluez: BluezProcess) -> None:
    sensing = "0000181a-0000-1000-8000-00805f9b34fb"
    put_meter(bluez, "Panel", service=sensing, notify="00002a6e-0000-1000-8000-00805f9b34fb")
    seen = metercap_("scan", "--seconds", "0.5")

    assert seen.out.endswith(f"; can be read as found: metercap watch {ADDRESS}\n")
