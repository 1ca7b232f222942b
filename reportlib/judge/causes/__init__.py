"""Why: what a day's changes fit, by rules over evidence.

``evidence`` holds the records that rules look at, ``distil`` makes them of an `Analysis`, with
``growth`` for how a change grows with level and time. ``case`` holds one cause against one stretch,
with the rules for what is not the loudspeaker's; ``instant`` and ``slow`` are the other rules;
``table`` names every cause and weighs cases to findings.

"Fits", never "is": a cause is named where nothing speaks against it and two signatures of three
(time, frequency, level) fit; *no cause shown* is a result.
"""
