"""What goes wrong between a meter and a recorder in the field, row by row, against the recorder.

The rows are those of 25 field failures of Bluetooth Low Energy on Linux, gathered from the public
issue trackers of bleak, BlueZ, bleak-retry-connector, Home Assistant and the Raspberry Pi kernel;
each test is named for its row. `test_rows.py` runs the recorder as its user does, in a process of
its own; `test_slow_rows.py` runs the link in this process with short limits, for rows that wait for
a limit of 10 or 20 s. The played service (`fake_bluez.py`) is always in its own process or on its
own bus, and bleak is unmodified.

What no test here can meet, and why:

| Row | What is left | Why |
|---|---|---|
| 18 | a controller whose firmware is dead | USB reset and rfkill need rights a recorder has not |
| 20 | lost packets where Wi-Fi shares the radio | another adapter, another band: a person's hands |
| 21 | bytes lost in the host, of a meter without a counter | seen only as a gap between times |
| 22 | how many links a controller holds | the controller's own limit; it only says "abort" |
| 23 | that BlueZ chooses classic Bluetooth | a line in main.conf; the recorder says which |
| 24 | a missing right, a blocked adapter | a person must grant it; the recorder says what to do |
| 25 | releases of BlueZ and the kernel that break | seen only with them: `tests/vm` runs one |
"""
