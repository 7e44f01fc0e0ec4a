"""A mapping to begin with: every table of it, each with what it is for."""

from typing import Final

EXAMPLE: Final = """\
# How a bay's machine writes its files. Leave out what the file has not: it stays unknown.
[file]
separator = ";"              # or ",", "|", "\\t", "blanks"
decimal = ","
thousands = ""
names_line = 3               # the line of the columns' names; 0: there is none, give the columns by number
units_line = 0               # the line of their units; 0: none
first_row = 4                # the line of the first figures
footer_lines = 0
rows = "time"                # or "rpm": a table by engine speed
pulls = "stacked"            # several below each other; or "one", or "side-by-side" with a list of names in each column
pull_column = "Run"          # which pull a row is of; leave it out where no column says so

# Every column: name or number (counted from 1), and its unit. Engine speed must be there, and torque or power.
[columns.time]
name = "Time"
unit = "h:mm:ss"             # or m:ss, s, ms
[columns.rpm]
name = "Engine speed"
unit = "rpm"                 # or x1000 rpm
[columns.torque]
name = "Torque"
unit = "lbf.ft"              # or N.m, kgf.m
[columns.power]
name = "Power"
unit = "hp"                  # 745.7 W; or kW, PS (735.5 W)
[columns.lambda]
name = "AFR"
unit = "AFR"                 # or lambda
stoichiometric = 14.7        # what the gauge counts as lambda 1: whoever set it knows
[columns.map]
name = "Boost"
unit = "psi"                 # or kPa, bar, hPa
gauge = true                 # above the barometer, which then must be known
# Also: axle_torque, roller_speed, throttle, spark, knock_retard, inlet. A probe that lags: shift_s = 0.3

# The bay's air, where a column has it: temperature, pressure, humidity or dew_point.
[air.temperature]
number = 8
unit = "degF"

# What holds for every pull of such files.
[pull]
basis = "observed"           # as measured; corrected by the machine: {standard = "sae-j1349"}, with factor = 1.02 if it is known
source = "file"
# Standards: sae-j1349, iso-1585, sae-j607, din-70020, un-r85, jis-d1001, or unknown. Also: test ("sweep", "inertia", "steps").
# [pull.smoothing]
# method = "moving mean"
# width_rpm = 50

# What lines around the table say: the words before a value, and its unit or the way a time is written.
[header]
started_at = {key = "Date", format = "%d/%m/%Y %H:%M"}   # without key: wherever a line holds such a time
pressure = {key = "Barometer", unit = "hPa"}
humidity = {key = "Humidity", unit = "%"}
# Also: temperature, dew_point, coolant, oil, inlet, factor.
"""
