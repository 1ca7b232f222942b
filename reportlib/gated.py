"""Every capture of a session behind its one gate; what a run before has kept is used again.

A response follows from its own capture, the baseline's, the gate and the two arrivals. Where
all of these are as they were, it is taken from the shelf (`kept`), and only else made anew.
"""

import json
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from pathlib import Path

from reportlib import kept
from reportlib.deconvolution import Deconvolved
from reportlib.gate import Gate, align_s, find_arrival_s
from reportlib.model import Response
from reportlib.response import measure_response, smoothing_cells
from reportlib.stimulus import SweepLaw


def responses_behind(
    gate: Gate,
    *,
    deconvolved: Sequence[Deconvolved],
    law: SweepLaw,
    fraction: int,
    spread: bool,
    pool: Executor,
    folder: Path,
    keys: Mapping[str, str | None],
    keep: bool,
) -> dict[str, Response]:
    """Return the responses of a session by capture path.

    Parameters
    ----------
    deconvolved : the captures, the baseline's first take first
    fraction : smoothing, as the n of 1/n octave
    spread : see `response.smoothing_cells`
    folder : of `kept.shelf_folder`
    keys : of `kept.capture_key`, by path; None or missing where nothing may be taken from the
        shelf or put there
    keep : whether the shelf may be written
    """
    baseline = deconvolved[0]
    arrival_s = find_arrival_s(baseline, law=law)

    def arrival_in(one: Deconvolved) -> float:
        return arrival_s if one is baseline else align_s(one, to=baseline, arrival_s=arrival_s)

    arrivals = dict(zip(deconvolved, pool.map(arrival_in, deconvolved), strict=True))

    def made_with(one: Deconvolved) -> str:
        first = keys.get(baseline.source)
        return json.dumps([first, gate.before_s, gate.length_s, spread, arrival_s, arrivals[one]])

    def recall(one: Deconvolved) -> Response | None:
        key = keys.get(one.source)
        return None if key is None else kept.load_response(folder, key, made_with=made_with(one))

    found = dict(zip(deconvolved, pool.map(recall, deconvolved), strict=True))
    missing = [one for one in deconvolved if found[one] is None]
    if missing:
        smoothing = smoothing_cells(
            baseline, law=law, gate=gate, arrival_s=arrival_s, fraction=fraction, spread=spread
        )

        def measure(one: Deconvolved) -> Response:
            made = measure_response(
                one,
                law=law,
                gate=gate,
                arrival_s=arrivals[one],
                fraction=fraction,
                smoothing=smoothing,
            )
            key = keys.get(one.source)
            if keep and key is not None:
                kept.keep_response(folder, key, response=made, made_with=made_with(one))
            return made

        found.update(zip(missing, pool.map(measure, missing), strict=True))
    return {one.source: response for one, response in found.items() if response is not None}
