"""The commented starter job that ``antecurve job`` writes."""

from __future__ import annotations

__all__ = ["starter_job"]

_TEXT = """\
# A job for antecurve. Every quantity is a number in SI units or a text such as
# "47k", "4k7", "150p", "50 kHz", "0.5 V", "1 %". Only [curve] is required;
# a limit left out is no limit. Every key is here; those that the embedded default job, which
# this is as it stands, goes without are behind a #.

title = "Bench network"

[curve]                          # exactly one of: name / time constants / turnover and cut
name = "disc"                    # antecurve curves lists the catalogue
ultrasonic_poles = ["50 kHz"]    # keeps the gain finite; without it the implied pole is reported
# zeros = ["3180 us", "75 us"]   # time constants of the recording side
# poles = ["318 us"]
# zeros_at_origin = 0            # 1: falls towards DC without end, no bass shelf
# poles_at_origin = 0            # 1: rises towards DC without end; see low_end_bound
# turnover = "500 Hz"            # older discs: turnover, and cut in dB at 10 kHz
# cut_at_10k = 13.7
# shelf = "50 Hz"                # bass shelf, if the curve has one
# low_end_bound = "2 Hz"         # for a curve that rises towards DC

[source]                         # the generator
resistance = 50                  # ohm; 0 is allowed
level = "0.5 V"                  # open-circuit EMF, rms, at 1 kHz

[load]                           # the input of the unit under test, cable included
resistance = "47k"
capacitance = "150p"             # 0 is allowed

[target]
level = "5 mV"                   # rms at 1 kHz into the load; about 0.5 mV for low-output inputs
level_tolerance_db = 1.0
band = ["20 Hz", "20 kHz"]
error_limit_db = 0.5             # exit code 1 when the design error misses it

[network]
forms = ["foster-1", "foster-2", "cauer-1", "cauer-2"]    # or "all"; see antecurve formulas
# elements = ["R1 in a", "C1 in a", "R2 a out", "R3 out 0"]   # a network of your own, not forms:
                                 # reference, node, node; in: generator, out: unit, 0: common
balanced = false                 # true: the series arm split on both legs
output_resistance_max = 600      # at 1 kHz
input_impedance_min = 1000       # smallest over the band, source resistance not counted

[resistors]
series = "E96"
tolerance = "1 %"
range = [10, "1M"]               # of each part
parts_per_position = 1           # 2: up to two joined
join = ["series", "parallel"]    # how two may be joined
# drawer = "drawer.csv"          # parts on hand, beside the series or, without one, instead of it.
                                 # Its columns: kind (resistor or capacitor), value, tolerance;
                                 # quantity (1), measured (value of one measured part; tolerance
                                 # is then what the measurement leaves open), description
# [[resistors.grades]]           # tolerances to be bought, for antecurve spread --yield
# tolerance = "0.1 %"
# price = 0.50                   # of one part, in any currency

[capacitors]
series = "E12"
tolerance = "2.5 %"
range = ["220p", "470n"]
parts_per_position = 2
join = ["parallel"]              # or ["parallel", "series"]
# drawer = "drawer.csv"          # as for resistors; it may be the same file
# [[capacitors.grades]]          # as for resistors
# tolerance = "1 %"
# price = 0.80

[spread]
builds = 100000
seed = 1
distribution = "uniform"         # or "normal": tolerance = 3 sigma, cut there

[pick]
pick_by = "nominal"              # smallest error with nominal values; or what the parts as they
                                 # scatter do: "build" the smallest error of 95 % of builds,
                                 # "yield" most builds within error_limit_db, "worst" the
                                 # smallest error with every part at an end of its tolerance
sets = 1                         # 2: a pair of networks for stereo, picked together
# budget_seconds = 60            # for the whole design; else 120 s of search, 30 s for elements

# Several curves in one box: in place of [curve] write one [[curve]] for each position of the
# switch, with the keys above and position = "name"; a curve may then be "flat". What the switch
# is like stands in a section of its own, [switch]:
# equal_levels = false           # true: every position at target.level, not just within tolerance
# lowest_pole = "30 kHz"         # of the ultrasonic poles that curves without one leave free
# contacts = "break-before-make" # or "make-before-break"
# contact_resistance = "20m"     # of a closed contact
# stray_capacitance = "1p"       # from a wiper to each contact that it does not touch
# bleed_resistance = "1M"        # across the output; its effect is worked out
"""


def starter_job() -> str:
    """Write the text of the starter job.

    Returns
    -------
    str
        TOML; read back it is the embedded default job.
    """
    return _TEXT
