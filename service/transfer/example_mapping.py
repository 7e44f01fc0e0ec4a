"""A mapping to begin with: every table of it, each with what it is for."""

from typing import Final

EXAMPLE: Final = """\
# How the columns of an old file are to be read. Leave out what the file has not: it stays unknown.
[file]
sheet = 1               # of a spreadsheet: its name or number
separator = ";"         # of delimited text
decimal = ","
thousands = ""
names_line = 1          # the line of the columns' names; 0: there is none, name the columns by number
first_row = 2
rows = "setups"         # each row is one state of the car; "pulls": rows of one state that follow each other are its pulls

# Every column: name or number (counted from 1). Days and times of day may have a format, or a list of them.
[columns.date]
name = "Date"
format = ["%d.%m.%Y", "%d/%m/%Y"]
[columns.vehicle]
name = "Car"
[columns.parts]
name = "Fitted"
separator = "+"         # between the parts of one cell
[columns.power]
name = "Power"
unit = "hp"             # figures need their unit
[columns.power_rpm]
name = "at rpm"
unit = "rpm"
[columns.torque]
name = "Torque"
unit = "lbf.ft"
[columns.best_of]       # of how many pulls it is the best
name = "Best of"
[columns.standard]      # what it had been corrected to
name = "Correction"
[columns.notes]         # kept as it was typed, in the history of the session; a column that is not named here is not kept
name = "Remarks"
# Also: clock, bay, label, operator, curve, torque_rpm, temperature, pressure, humidity, dew_point, coolant, oil, inlet, factor, ratio,
# gear, ramp, tyre_size, tyre_pressure, ethanol, octane, octane_method, spark_advance, sequence, parts_known, stock_checked,
# test, source.

# What holds for every row without a cell of its own.
[every]
zone = "Europe/London"
clock = "12:00"         # stands for a time of day that was not written
bay = "north"
parts_known = "partial" # how much the old lists tell: complete, partial or unknown
source = "paper"
# Also: basis ("observed", "unknown" or {standard = "...", factor = 1.02}), best_of, gear, operator, stock_checked, test.

# The words of the parts' cells: which part they stand for, several of them, or [] for nothing.
[parts]
"std" = []
"big pipe" = "wide-pipe"
"pipe and map" = ["wide-pipe", "road-map"]

# Words of the other columns, where they are not the ledger's own.
[vehicles]
"the red one" = "stoat-1"
[bays]
"old hall" = "north"
[standards]
"none" = "observed"
"DIN" = "din-70020"

# Rows whose column `curve` names a file take their pulls from it; both lie beside this mapping.
# [curves]
# folder = "pulls"
# mapping = "bay.toml"
"""
