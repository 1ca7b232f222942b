"""Changes at random, from a fixed seed, to what a stranger's session folder holds."""

import copy
import math

JUNK = (
    *(None, True, False, 0, 1, -1, 2, 7, 10**6, 10**19, 10**400, -(10**400)),
    *(0.0, -0.0, 0.5, -1.5, 5e-324, 1e-300, 1e-9, 1e9, 1e18, 1e100, 1e300, 1e308, -1e308),
    *(math.nan, math.inf, -math.inf),
    *("", " ", "x", "0", "-1", "1e999", "nan", "0 0 0 0", "0 0 9 9", "../x", "/etc/passwd"),
    *("a\x00b", "a\nb\rc", "\x1b[31m\x9b", "\u202e\u2028", "潮汐 ß 🙂", "\ud800", "#" * 3000),
    *("<svg/>", "<b>", "{{ 7*7 }}", "%s %d {0}", "=1+1", "captures/short-72-a.wav"),
    *([], {}, [[]], [None], [0], [5e-324], ["x"], [{}], {"x": {}}, [1.0] * 3000, [[1, 2], 3]),
)


def places(value, path=()):
    """Return the way to everything in a value that JSON or TOML could hold."""
    found = [path] if path else []
    items = value.items() if isinstance(value, dict) else ()
    items = enumerate(value) if isinstance(value, list) else items
    for key, item in items:
        found += places(item, (*path, key))
    return found


def mutated(value, *, rng, most=3, junk=JUNK):
    """Return a copy in which up to `most` parts are gone, doubled, exchanged or of another kind."""
    value = copy.deepcopy(value)
    for _ in range(rng.randint(1, most)):
        ways = places(value)
        if not ways:
            break
        *before, last = rng.choice(ways)
        home = value
        for step in before:
            home = home[step]
        kind = rng.randrange(10)
        if kind == 0:
            del home[last]
        elif kind == 1:
            home[last] = copy.deepcopy([home[last], home[last]])
        elif kind == 2 and isinstance(home, list):
            home.insert(rng.randrange(len(home) + 1), copy.deepcopy(home[last]))
        elif kind == 3 and isinstance(home[last], int | float):
            factor = rng.choice((0.0, -1.0, 1e-3, 0.5, 0.9, 1.1, 2.0, 1e3, 1e-320, 1e200))
            if abs(home[last]) < 1e300:
                home[last] = home[last] * factor
        elif kind == 4 and isinstance(home, dict):
            home[rng.choice(("x", "levl_db", "", "a b", "x_own", "\x1b"))] = home.pop(last)
        elif kind == 5 and isinstance(home[last], str) and home[last]:
            home[last] = edited(home[last], rng=rng)
        elif kind == 6 and isinstance(home, list):
            rng.shuffle(home)
        else:
            home[last] = copy.deepcopy(rng.choice(junk))
    return value


def edited(text, *, rng):
    """Return text, or bytes, with a few characters gone, doubled or exchanged."""
    for _ in range(rng.randint(1, 4)):
        at, length = rng.randrange(len(text) + 1), rng.choice((0, 1, 1, 2, 8, 64))
        piece = rng.choice(("", "0", "-", "9999999999", ".", ",", "e", "\n", "[", '"', "\x00", " "))
        new = piece if isinstance(text, str) else piece.encode()
        if rng.randrange(4) == 0:
            new = text[rng.randrange(len(text) + 1) :][:40]
        text = text[:at] + new + text[at + length :]
    return text
