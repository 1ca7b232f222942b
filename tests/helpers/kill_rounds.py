"""Kill a run at a random instant, again and again, and look at what is left.

``python kill_rounds.py FOLDER ROUNDS SEED``. Each round is a forked process that edits and runs
the loop, and is killed (SIGKILL) at a random one of all its calls; no time passes in it.
"""

import os
import random
import signal
import sys
from pathlib import Path

import loop
import nbformat


def write(folder, number):
    loop.run(folder, number)


def killed_at(folder, number, call):
    """Run in a child that dies at its `call`-th function call; return whether it died."""
    child = os.fork()
    if child == 0:
        left = [call]

        def count(*_):
            left[0] -= 1
            if left[0] <= 0:
                os.kill(os.getpid(), signal.SIGKILL)

        sys.setprofile(count)
        write(folder, number)
        sys.setprofile(None)
        os._exit(0)
    _, status = os.waitpid(child, 0)
    return os.WIFSIGNALED(status)


def calls_of_a_run(folder):
    counted = [0]

    def count(*_):
        counted[0] += 1

    sys.setprofile(count)
    write(folder, 2)
    sys.setprofile(None)
    return counted[0]


def main(folder, rounds, seed):
    generator = random.Random(seed)
    write(folder, 1)
    most = calls_of_a_run(folder)
    died = 0
    words = []
    for number in range(3, 3 + rounds):
        made = loop.saved(folder)
        words.append(f"word{number}x")
        made.cells[1].source += f"\n\n{words[-1]}"
        loop.save(folder, made)
        died += killed_at(folder, number, generator.randrange(1, most))
        left = loop.saved(folder)  # whole, whenever it was killed
        nbformat.validate(left)
        text = "\n".join(cell.source for cell in left.cells)
        assert all(word in text for word in words), f"lost at round {number}"
        assert loop.memory_is_whole(folder)
    write(folder, 3 + rounds)  # and the next run goes on
    assert words[-1] in loop.saved(folder).cells[1].source
    assert died > 0.8 * rounds
    print(f"{rounds} rounds, {died} killed, {most} calls each")


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
