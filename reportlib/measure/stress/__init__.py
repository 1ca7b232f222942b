"""The long-term stress while it plays: tone by tone, how it heats, and how it cools.

The way of a recording: ``tones`` says what one period holds, ``periods`` reads the recording,
``stages`` puts a level's recordings in a row, ``tracks`` follows groups of tones over time. Behind
each track stands the thermal fit: ``heating``, by a ``grid`` of time constants, ``weighing`` of
them, and ``projection`` of what follows. ``coil`` tells the voice coil's temperature where voltage
and current were recorded. ``multitone`` makes the stimulus; ``records`` is what comes of it all.
"""
