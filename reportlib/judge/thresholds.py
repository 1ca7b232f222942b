"""Every threshold that turns a number into a word, with where it comes from.

All of them are judgements. What stands behind them:

- Level differences begin to be heard at about 0.5 dB for broad changes and 1 dB for tones of
  middling level (W. Jesteadt, C. C. Wier, D. M. Green, JASA 61, 1977; G. A. Miller, JASA 19,
  1947; both from memory). 3 dB is half the power. The steps between are common practice, no
  source.
- Narrow changes must be larger: resonances of high Q (F. E. Toole, S. E. Olive, JAES 36, 1988)
  and dips more so than peaks (R. Bücklein, 1962, reprinted in JAES 29, 1981; both from memory).
- In the bass a decibel changes loudness by more than one phon (ISO 226:2023).
- "1 dB behind" is borrowed from amplifiers; no opened standard defines it for loudspeakers.
  3 dB is a common end point of ramp tests (common practice, no source).
"""

MEAN_LIMITS_DB = (0.5, 1.0, 3.0)
"""A band's mean loss beyond each of these is one grade worse."""
WORST_LIMITS_DB = (1.0, 2.0, 4.0)
"""The same for the worst point in a band."""
GAIN_LIMITS_DB = (1.0, 3.0)
"""A band's mean gain beyond these rises, rises much."""
WORST_GAIN_LIMITS_DB = (2.0, 4.0)
"""The same for the largest gain at a point, in proportion to the losses' limits."""
TEXT_UNKNOWN_DB = 0.2
"""What is added to the half-width of column text, in quadrature, before it is judged: its own
is a lower bound, so a value within this of a limit names the neighbour too."""
LARGEST_UNUSABLE_SHARE = 0.4
"""A band with more than this share of unusable points can't be told."""

BEHIND_DB = (1.0, 3.0)
"""The losses whose levels a report names: "1 dB behind at …"."""
NEED_LIMITS_DB = (1.0, 3.0)
"""A band that loses no more than the first is loud enough: about where the change of one octave
begins to be heard in direct comparison. One that loses more than the second does not play what
is asked of it: half its power is missing."""
WIDE_BRACKET_DB = 2.0
"""Where a limit's bracket is wider than this, words give the bracket instead of the level."""
CROSSOVER_OCTAVES = 1.0 / 3.0
"""What is left out around a crossover, where two drive units play (common practice, no source)."""

HEARD_LIMITS_DB = (
    (1.0 / 6.0, 3.0, 6.0),
    (1.0 / 3.0, 1.5, 3.0),
    (1.0, 1.0, 2.0),
    (2.0, 0.5, 1.5),
)
"""Width of the stretch in octaves, then the change from which it is possibly and from which it
is clearly audible, in direct comparison and well above the threshold of hearing. A change of
the whole range alike has the limits of the last row."""
BASS_BELOW_HZ = 100.0
BASS_FACTOR = 0.6
"""Below that frequency the limits are smaller by this: there 1 dB is about 1.7 phon
(ISO 226:2023 at 50 Hz, near 60 phon)."""
TOP_ABOVE_HZ = 10000.0
TOP_FACTOR = 1.5
"""Above that frequency level differences are heard less well (M. Florentine, S. Buus, C. R.
Mason, JASA 81, 1987, its abstract); how much less is our own judgement."""
GAIN_WIDTH_OCTAVES = 1.0
"""A gain narrower than this is judged as if it were so wide: a peak is heard sooner than a dip
of the same size (Bücklein)."""
