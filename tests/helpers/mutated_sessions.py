"""Small whole sessions, changed at random, through ``check`` and ``report`` in this process.

``python mutated_sessions.py check|report FIRST COUNT [FOLDER]`` prints what came of so many, from
the seed FIRST on. A report runs its notebook's cells here, without a kernel, else it is whole.
"""

import ast
import collections
import contextlib
import copy
import functools
import io
import json
import logging
import random
import shutil
import sys
import tempfile
import time
import tomllib
import traceback
import unicodedata
from pathlib import Path
from unittest import mock

import nbformat
import numpy as np
import soundfile
from click.testing import CliRunner
from commands import without_progress
from mutations import edited, mutated

from reportlib.cli import main
from reportlib.publish import kernels, notebook

RATE_HZ = 8000
SWEEP = (60.0, 3600.0, 0.4)

AUDIO = """\
format = 1
date = 2026-05-04
notes = "Windows open."

[speaker]
name = "Marram 12"
drive = "passive"
use = "living room"
crossovers_hz = [450.0]
rated_impedance_ohm = 8.0
rated_power_w = 120.0
maximum_level_db = 108.0
sensitivity_db = 87.5

[rig]
distance_m = 1.0
space = "free field"
gate_ms = 60.0
temperature_c = 21.5
humidity_percent = 45.0
pressure_kpa = 101.3
equipment = ["measuring microphone, class 1"]
microphone_correction = "calibration/mic.txt"
drive_tolerance_db = 0.1

[channels]
microphone = 1

[calibration]
full_scale_db = 110.0

[sweep]
stimulus = "stimulus/sweep.wav"
start_hz = 60.0
stop_hz = 3600.0
duration_s = 0.4

[multitone]
stimulus = "stimulus/multitone.wav"
crest_factor_db = 12.0

[noise]
captures = ["captures/silence.wav"]

[[short_term]]
level_db = 72.0
drive_db = 0.0
captures = ["captures/72-a.wav", "captures/72-b.wav"]
at = 10:32:00

[[short_term]]
level_db = 82.0
drive_db = 10.0
captures = ["captures/82.wav"]
temperature_c = 21.5
input_gain_db = 0.0

[[baseline_again]]
captures = ["captures/again-72.wav"]
at = 11:02:30

[[long_term]]
level_db = 82.0
drive_db = 10.0
sweep_drive_db = 10.0
before = ["captures/before.wav"]

[[long_term.stage]]
stress = "captures/stress.wav"
stress_s = 6.0
pause_s = 0.5
pause_u_s = 0.1
rest_s = 8.0
after = ["captures/after.wav"]
"""

TEXT = """\
format = 1

[speaker]
name = "Trivet 6"
drive = "active"

[rig]
distance_m = 1.0
space = "half space"

[text]
gate_ms = 60.0
smoothing_octaves = 0.1
snr_db = 50.0

[[short_term]]
level_db = 72.0
drive_db = 0.0
captures = ["captures/72.txt"]

[[short_term]]
level_db = 82.0
drive_db = 10.0
captures = ["captures/82.txt"]
"""


def _wav(samples):
    file = io.BytesIO()
    soundfile.write(file, samples, RATE_HZ, subtype="PCM_24", format="WAV")
    return file.getvalue()


def _column_text(level_db):
    rows = (f"{hz:.2f}\t{level_db + np.sin(np.log(hz)):.3f}" for hz in np.geomspace(30, 16e3, 120))
    return ("Hz dB\n" + "\n".join(rows) + "\n").encode()


@functools.cache
def whole(kind):
    """Return the files of an untouched session, ``"audio"`` or ``"text"``, with its report."""
    if kind == "text":
        files = {"session.toml": TEXT.encode()}
        files |= {f"captures/{name}.txt": _column_text(float(name)) for name in ("72", "82")}
    else:
        generator = np.random.default_rng(4)
        low, high, length_s = SWEEP
        at = np.arange(round(RATE_HZ * length_s)) / RATE_HZ
        rate = length_s / np.log(high / low)
        sweep = 0.5 * np.sin(2.0 * np.pi * low * rate * (np.exp(at / rate) - 1.0))
        sweep = np.pad(sweep, round(0.4 * RATE_HZ))
        tones_hz = np.unique(np.round(np.geomspace(70, 3500, 40)))
        phase = generator.uniform(0.0, 2.0 * np.pi, tones_hz.size)
        second = np.arange(RATE_HZ)[:, None] / RATE_HZ
        period = 0.03 * np.sin(2.0 * np.pi * tones_hz * second + phase).sum(axis=1)
        files = {
            "session.toml": AUDIO.encode(),
            "calibration/mic.txt": b"20 0.1\n1000 0.0\n20000 -0.4\n",
            "stimulus/sweep.wav": _wav(sweep),
            "stimulus/multitone.wav": _wav(period),
            "captures/silence.wav": _wav(1e-5 * generator.standard_normal(RATE_HZ)),
        }
        for name, gain in (
            *(("72-a", 0.1), ("72-b", 0.1), ("again-72", 0.1)),
            *(("82", 0.3), ("before", 0.3), ("after", 0.29)),
        ):
            noise = 1e-5 * generator.standard_normal(sweep.size)
            files[f"captures/{name}.wav"] = _wav(gain * sweep + noise)
        played = 0.3 * np.tile(period, 6)
        noise = 1e-5 * generator.standard_normal(played.size + RATE_HZ)
        files["captures/stress.wav"] = _wav(np.pad(played, RATE_HZ // 2) + noise)
    with tempfile.TemporaryDirectory() as folder:
        session = put(files, Path(folder) / "session")
        line, _ = run("report", session)
        assert not line, line
        typed = nbformat.read(session / "report.ipynb", 4)
        typed.cells.append(nbformat.v4.new_markdown_cell("At 82 dB the mids lose 9.5 dB."))
        nbformat.write(typed, session / "report.ipynb")
        memory = ("results/facts", "results/run", "results/results", "memory")
        kept = ("report.ipynb", *(f".upheld/{name}.json" for name in memory))
        kept = (*kept, ".upheld/results/compression.csv")
        return files | {name: (session / name).read_bytes() for name in kept}


_ROWS = (
    *("1 2", "1e400 1", "nan nan", "1 1e300", "99 −3", "1,5 2,5", "x", "\0", "1 2 3 4"),
    *("999999999 1", "", "# x", "1\t2\t3", "-1 2", "5e-324 1", "100 5e-324"),
)


def put(files, folder):
    """Write the files of a session; return its folder."""
    for name, data in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    return folder


def toml(value):
    """Write a value as TOML, on one line."""
    match value:
        case bool() | str():
            return json.dumps(value)
        case float() | int():
            return str(value)
        case dict():
            return (
                f"{{{', '.join(f'{json.dumps(key)} = {toml(one)}' for key, one in value.items())}}}"
            )
        case list():
            return f"[{', '.join(map(toml, value))}]"
        case None:
            return '""'
    return value.isoformat()


def made(seed, *, notebooks=True):
    """Return the files of the session of this seed."""
    rng = random.Random(seed)
    files = dict(whole(rng.choice(("audio", "text"))))
    if not notebooks or rng.random() < 0.7:
        files = {name: data for name, data in files.items() if "upheld" not in name[:8]}
        files.pop("report.ipynb")
    kind = rng.choices(("facts", "letters", "file", "row", "json"), (45, 10, 25, 10, 20))[0]
    captures = [name for name in files if name.endswith((".wav", ".txt"))]
    jsons = [name for name in files if name.endswith((".json", ".ipynb"))]
    if kind == "json" and jsons:
        name = rng.choice(jsons)
        if rng.random() < 0.8:
            files[name] = json.dumps(mutated(json.loads(files[name]), rng=rng)).encode()
        else:
            files[name] = rng.choice((edited(files[name], rng=rng), b"[" * 100_000, b"", b"null"))
    elif kind == "letters":
        files["session.toml"] = edited(files["session.toml"], rng=rng)
    elif kind == "file":
        name = rng.choice(captures)
        data = files[name]
        head = edited(data[:80], rng=rng) if rng.random() < 0.7 else data[:80]
        files[name] = head + data[80 : rng.choice((None, None, 81, 200, len(data) // 2))]
        if name.endswith(".wav") and rng.random() < 0.3:
            files[name] = _odd_wav(data, rng=rng)
    elif kind == "row":
        name = rng.choice([one for one in captures if one.endswith(".txt")])
        rows = files[name].decode().split("\n")
        rows[rng.randrange(len(rows))] = rng.choice(_ROWS)
        files[name] = "\n".join(rows).encode()
        if rng.random() < 0.5:
            low = rng.randrange(len(rows) - 1)
            files[name] = "\n".join(rows[low : low + rng.randrange(2, 60)]).encode()
    else:
        document = tomllib.loads(files["session.toml"].decode())
        document = mutated(document, rng=rng, most=rng.choice((1, 1, 3)))
        text = "\n".join(f"{json.dumps(key)} = {toml(one)}" for key, one in document.items())
        files["session.toml"] = text.encode("utf-8", "replace")
    return files


def _odd_wav(data, *, rng):
    samples, _ = soundfile.read(io.BytesIO(data))
    odd = rng.choice((np.nan, np.inf, 1e300, 1e-320, 0.0, 1.0, -7.0))
    samples = np.array(samples)
    samples[slice(rng.choice((None, 5)), rng.choice((None, 9)))] = odd
    samples = samples[: rng.choice((0, 1, 2, 100, None))]
    file = io.BytesIO()
    soundfile.write(file, samples, rng.choice((1, 8000, 96000)), subtype="DOUBLE", format="WAV")
    return file.getvalue()


def _executed(merged, *, parameters, folder, not_run=(), **_):
    """Run a notebook's cells in this process, and put what they show below them."""
    executed = copy.deepcopy(merged)
    names = {**parameters.model_dump(mode="json"), "session": str(folder)}
    for cell in executed.cells:
        if cell.cell_type != "code" or "parameters" in cell.metadata.get("tags", ()):
            continue
        if cell["id"] in not_run:
            continue
        *body, last = ast.parse(cell.source).body or [ast.Pass()]
        cell.outputs = []
        if isinstance(last, ast.Expr):
            exec(compile(ast.Module(body, []), "cell", "exec"), names)
            shown = eval(compile(ast.Expression(last.value), "cell", "eval"), names)
            if hasattr(shown, "_repr_mimebundle_"):
                data = nbformat.from_dict(shown._repr_mimebundle_())
                cell.outputs = [nbformat.v4.new_output("display_data", data=data)]
        else:
            exec(compile(ast.Module([*body, last], []), "cell", "exec"), names)
    return executed


def run(verb, folder):
    """Run a verb on a session; return what is wrong with its outcome, and its exit code."""
    with contextlib.ExitStack() as stack:
        stack.enter_context(mock.patch.object(notebook, "execute", _executed))
        stack.enter_context(
            mock.patch.object(kernels, "started", return_value=contextlib.nullcontext())
        )
        result = CliRunner().invoke(main, [verb, str(folder)], color=True)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        ours = [
            one for one in traceback.extract_tb(result.exc_info[2]) if "reportlib" in one.filename
        ]
        last = ours[-1]
        where = f"{Path(last.filename).name}:{last.lineno}"
        return f"{type(result.exception).__name__} at {where}: {result.exception}", 1
    bent = {c for c in result.output if c != "\n" and unicodedata.category(c) in ("Cc", "Cf")}
    if bent:
        return f"prints {bent}", result.exit_code
    lines = without_progress(result.output)
    if result.exit_code == 2 and (len(lines) != 1 or not lines[0].startswith("upheld: ")):
        return f"{len(lines)} lines: {lines[:2]}", 2
    return "", result.exit_code


def main_study(verb, first, count, folder):
    """Run so many, and print what came of them."""
    logging.disable(logging.CRITICAL)
    codes, wrong, begun = collections.Counter(), {}, time.monotonic()
    for seed in range(first, first + count):
        session = folder / "session"
        shutil.rmtree(session, ignore_errors=True)
        line, code = run(verb, put(made(seed), session))
        codes[code] += 1
        if line:
            wrong.setdefault(line[:160], []).append(seed)
    print(f"{count} through {verb}, seeds {first} on: {time.monotonic() - begun:.0f} s")
    print("exit codes", dict(codes))
    for line, seeds in sorted(wrong.items(), key=lambda one: -len(one[1])):
        print(len(seeds), seeds[:3], line)


if __name__ == "__main__":
    where = Path(sys.argv[4]) if len(sys.argv) > 4 else Path(tempfile.mkdtemp())
    main_study(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), where)
