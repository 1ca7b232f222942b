"""Sessions of an archive, as a run leaves them: results and verdicts, without recordings."""

import functools
import json
import random

from builders import make_analysis

from reportlib.publish.history import keep_rendered
from reportlib.write import data

PLACES = ("kitchen", "reading room", "boat hall", "porch")


@functools.cache
def document() -> str:
    """Return a whole results.json as text."""
    return data.results_json(make_analysis(), tool_version="0.1.0")


def kept_results(*, name="Trivet 6", date="2026-05-04", shift_db=0.0, **more):
    """Return a results.json with its limits moved by `shift_db`; `more` replaces its fields."""
    made = json.loads(document())
    made["speaker"]["name"] = name
    made["date"] = date
    made["digests"] = {"session.toml": 32 * "5a", "captures/short-72-a.wav": 32 * "c3"}
    for limit in made["limits"]:
        for key in ("level_db", "low_db", "high_db"):
            if limit[key] is not None:
                limit[key] += shift_db
    return {**made, **more}


def write_kept(folder, *, page=True, verdict="", **about):
    """Write a session's folder as a run leaves it; return it."""
    made = kept_results(**about)
    data = json.dumps(made).encode()
    (folder / ".upheld" / "results").mkdir(parents=True)
    (folder / ".upheld" / "results" / "results.json").write_bytes(data)
    for path in made["digests"]:
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).touch()
    keep_rendered(folder, notebook=b"{}", results=data, verdict=verdict)
    if page:
        (folder / "out").mkdir()
        (folder / "out" / "report.html").write_text("<title>A report</title>")
    return folder


def write_many(archive, count, *, seed=1):
    """Write an archive of so many sessions, each a little otherwise; return it."""
    rng = random.Random(seed)
    for number in range(count):
        name = f"{rng.choice(('Marram', 'Trivet', 'Samphire', 'Thrift'))} {rng.randint(2, 40)}"
        held = rng.choice((78, 84, 90, 96))
        lost = rng.choice(("bass arrives", "low mids arrive", "mids arrive"))
        write_kept(
            archive / rng.choice(PLACES) / f"{number:05d}-{name.lower().replace(' ', '-')}",
            name=name,
            date=f"20{rng.randint(23, 26)}-{rng.randint(1, 12):02d}-{rng.randint(1, 28):02d}",
            shift_db=round(rng.gauss(0.0, 3.0), 2),
            verdict=f"{name} keeps up with the volume to {held} dB; at 99 dB the {lost} "
            f"{rng.uniform(1.0, 5.0):.1f} dB short (give or take 0.2 dB).",
        )
    return archive
