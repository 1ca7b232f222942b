"""Where labels go so that none covers another: plain arithmetic on intervals, in pixels."""

from collections.abc import Sequence


def spread(wanted: Sequence[float], *, gap: float, low: float, high: float) -> tuple[float, ...]:
    """Move centres apart by as little as possible.

    Least squares under "no two closer than `gap`": neighbours that collide are merged into
    clusters around their mean (pool adjacent violators), then kept inside `low` to `high`.
    Where more are wanted than fit, they are spaced evenly and closer.

    Parameters
    ----------
    wanted : shape (n,), in any order

    Returns
    -------
    shape (n,), in the order of `wanted`

    Examples
    --------
    >>> spread([10.0, 11.0, 40.0], gap=10.0, low=0.0, high=100.0)
    (5.5, 15.5, 40.0)
    """
    count = len(wanted)
    if count == 0:
        return ()
    gap = min(gap, (high - low) / max(count - 1, 1))
    order = sorted(range(count), key=lambda index: (wanted[index], index))
    # With the gaps taken out, "no closer than gap" becomes "never decreasing".
    limit = high - (count - 1) * gap
    clusters: list[list[float]] = []
    for rank, index in enumerate(order):
        clusters.append([wanted[index] - rank * gap, 1.0])
        while len(clusters) > 1 and clusters[-2][0] > clusters[-1][0]:
            mean, size = clusters.pop()
            before, size_before = clusters.pop()
            total = size + size_before
            clusters.append([(mean * size + before * size_before) / total, total])
    flat = [mean for mean, size in clusters for _ in range(int(size))]
    placed = [0.0] * count
    for rank, index in enumerate(order):
        placed[index] = min(max(flat[rank], low), max(limit, low)) + rank * gap
    return tuple(placed)


def in_order(wanted: Sequence[float], *, within: float) -> tuple[float, ...]:
    """Give near neighbours the order that they are listed in.

    Where a later value lies above an earlier one by less than `within`, the two trade places;
    larger differences stand.

    Examples
    --------
    >>> in_order([12.0, 10.0, 50.0, 20.0], within=5.0)
    (10.0, 12.0, 50.0, 20.0)
    """
    values = list(wanted)
    for _ in values:
        for index in range(len(values) - 1):
            if 0.0 < values[index] - values[index + 1] < within:
                values[index], values[index + 1] = values[index + 1], values[index]
    return tuple(values)


def in_rows(
    centres: Sequence[float], *, widths: Sequence[float], gap: float, low: float, high: float
) -> tuple[tuple[int, float], ...]:
    """Lay labels out in as few rows as needed, each near its centre and inside `low` to `high`.

    Returns
    -------
    one (row, left edge) a label, in the order given; row 0 first
    """
    order = sorted(range(len(centres)), key=lambda index: centres[index])
    ends: list[float] = []
    placed: dict[int, tuple[int, float]] = {}
    for index in order:
        width = widths[index]
        left = min(max(centres[index] - width / 2.0, low), max(high - width, low))
        row = next((row for row, end in enumerate(ends) if left >= end + gap), len(ends))
        if row == len(ends):
            ends.append(left + width)
        else:
            ends[row] = left + width
        placed[index] = (row, left)
    return tuple(placed[index] for index in range(len(centres)))
