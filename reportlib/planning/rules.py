"""The rules of a measuring day: every number that a plan depends on, with its source."""

OVER_NOISE_DB = 30.0
"""A baseline at least so far above the room's noise (common practice, no source)."""
STEP_DB = 6.0
"""From level to level (common practice, no source)."""
STRESS_BELOW_TOP_DB = 9.0
"""A multitone of 12 dB crest factor then peaks where the loudest sweep, of 3 dB, does."""
SELF_HEAT_DB = 0.25
"""A sweep that loses so much by its own heat is warned of: half of what a band may lose and
still *hold* (ours)."""
HEADROOM_DB = 1.0
"""What the loudest file's true peak stays below full scale (common practice, no source)."""
RECORDER_HEADROOM_DB = 6.0
"""Between the highest peak that is foreseen and the recorder's full scale: rooms and resonances
add some (common practice, no source)."""
PERSON_DOSE_PERCENT = 100.0
"""Of NIOSH's working day: what bounds the top where somebody stays in the room."""
MOST_STEPS = 40
"""Levels of a ladder: more are a slip of the keyboard."""

BASS_COIL_J_PER_K, MIDDLE_COIL_J_PER_K, TREBLE_COIL_J_PER_K = 4.0, 1.9, 0.27
"""Heat capacities of voice coils: 10 g and 5 g of copper (385 J/kg·K), 0.3 g of aluminium
(900 J/kg·K). Physical tables; the masses are typical ones (from memory)."""
BASS_COIL_S, MIDDLE_COIL_S, TREBLE_COIL_S = 60.0, 20.0, 5.0
"""Time constants of voice coils: 20 to 60 s, 5 to 20 s, 1 to 5 s (common practice, no source)."""
UNKNOWN_WAIT_S = 100.0
"""Where nobody knows what a sweep does to the coils: five times a middle one's."""
COOL_DB = 0.05
"""What a coil may still lose when the next sweep begins: the repeatability assumed elsewhere."""

LEAD_IN_S, TAIL_S = 1.0, 1.0
"""Silence before and after each sweep: noise is read before, the longest gate is 0.5 s."""
SILENCE_S = 10.0
PAUSE_S = 2.0
"""From a multitone's end to the sweep: the recorder hears the room fall silent first."""
PAUSE_U_S, PAUSE_BY_HAND_U_S = 0.01, 0.5
"""Standard uncertainty of that pause: of a file, and of somebody with a watch."""
AFTER_SWEEP_S = 2.0
"""From a sweep's end to the next stage of stress."""
RAMP_S = 0.01
"""In which a multitone rises before its first whole period, and falls after its last."""
FADE_OCTAVES = 1.0 / 6.0
"""By how much a sweep begins before the reported band and ends after it; what fades lies there."""
HANDLING_S = 30.0
"""To start a recorder, name a file and write down what was heard (ours)."""
SETTING_UP_S = 1800.0
BEFORE_STRESS_S, BETWEEN_STRESSES_S, BEFORE_BASELINE_AGAIN_S = 600.0, 1800.0, 1200.0
"""Magnet and cabinet cool in tens of minutes (common practice, no source)."""
