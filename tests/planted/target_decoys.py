"""Invented road surfaces without the mark that is looked for, for planted-truth tests. Not measured data.

Each decoy is a function of place (metres) that tells the tone there: 0 ground, 1 dark, 2 light.
"""

from __future__ import annotations

import numpy as np

KINDS = (
    "bare",
    "blotches",
    "manhole",
    "drain",
    "long-stripe",
    "dashes",
    "zebra",
    "other-mark",
    "other-size",
    "leaves",
    "shadow-edge",
    "kerb",
    "tar-joints",
    "text",
    "arrow",
    "setts",
    "patch",
    "oil",
    "chequers",
    "scattered-paint",
)

MARKS = ("quartered-disc", "quartered-square", "disc", "ring", "cross", "ell", "stripe-end")


def _frame(rng, spread=0.35):
    e, n = rng.uniform(-spread, spread, 2)
    a = rng.uniform(-np.pi, np.pi)
    c, s = np.cos(a), np.sin(a)
    return lambda x, y: (c * (x - e) + s * (y - n), -s * (x - e) + c * (y - n))


def _strokes(rng, count, length, width):
    ends = rng.uniform(-0.5, 0.5, (count, 2))
    turn = rng.choice([0, np.pi / 2, np.pi / 4], count)
    return ends, ends + length * np.column_stack((np.cos(turn), np.sin(turn))), width


def _near_strokes(x, y, strokes):
    a, b, width = strokes
    hit = np.zeros(x.shape, bool)
    for (ax, ay), (bx, by) in zip(a, b, strict=True):
        dx, dy = bx - ax, by - ay
        t = np.clip(((x - ax) * dx + (y - ay) * dy) / (dx * dx + dy * dy), 0, 1)
        hit |= np.hypot(x - ax - t * dx, y - ay - t * dy) < width / 2
    return hit


def decoy(kind, sought, size_m, rng, tone_at, natural_size):  # noqa: C901, PLR0911, PLR0912
    """Tone function of a decoy; ``sought`` is the mark that it must not be taken for, of ``size_m``."""
    turn = _frame(rng)
    if kind == "bare":
        return lambda x, _: np.zeros(x.shape, int)
    if kind == "blotches":
        k = rng.normal(size=(20, 2)) / rng.uniform(0.05, 0.3)
        phase = rng.uniform(0, 2 * np.pi, 20)
        level = rng.uniform(-0.5, 1.2)
        light = rng.choice([1, 2])
        return lambda x, y: np.where(
            np.cos(np.multiply.outer(x, k[:, 0]) + np.multiply.outer(y, k[:, 1]) + phase).sum(-1) / 3.2
            > level,
            light,
            0,
        )
    if kind == "manhole":
        r1, rim = rng.uniform(0.24, 0.42), rng.uniform(0.02, 0.06)
        inner, outer = rng.choice([(1, 0), (1, 2), (0, 1), (0, 2), (2, 1)])
        bars = rng.uniform(0.04, 0.12)

        def cover(x, y):
            u, v = turn(x, y)
            r = np.hypot(u, v)
            studs = (np.floor(u / bars) + np.floor(v / bars)) % 4 == 0
            return np.where(r < r1, np.where(studs, outer, inner), np.where(r < r1 + rim, outer, 0))

        return cover
    if kind == "drain":
        w, h, bar = rng.uniform(0.3, 0.5), rng.uniform(0.3, 0.6), rng.uniform(0.03, 0.06)

        def grate(x, y):
            u, v = turn(x, y)
            return np.where(
                (abs(u) < w / 2) & (abs(v) < h / 2), np.where(np.floor(u / bar) % 2 == 0, 1, 2), 0
            )

        return grate
    if kind == "long-stripe":
        w = rng.uniform(0.08, 0.3) if sought != "stripe-end" else size_m * rng.choice([1.0, 0.7, 1.5])
        return lambda x, y: np.where(abs(turn(x, y)[0]) < w / 2, 2, 0)
    if kind == "dashes":
        w, on, off = rng.uniform(0.08, 0.25), rng.uniform(0.2, 0.5), rng.uniform(0.1, 0.4)
        if sought == "stripe-end":  # an end of the same width would be the mark itself
            w = size_m * rng.choice([0.6, 1.6])

        def dashed(x, y):
            u, v = turn(x, y)
            return np.where((abs(u) < w / 2) & (np.mod(v, on + off) < on), 2, 0)

        return dashed
    if kind == "zebra":
        w = rng.uniform(0.25, 0.5)
        end = rng.uniform(-0.6, 0.6)

        def zebra(x, y):
            u, v = turn(x, y)
            return np.where((np.mod(u, 2 * w) < w) & (v < end), 2, 0)

        return zebra
    if kind in ("other-mark", "other-size"):
        if kind == "other-mark":
            shape = rng.choice([m for m in MARKS if m != sought])
            size = natural_size[shape] * rng.choice([0.7, 1.0, 1.3]) if shape == "stripe-end" else size_m
            size *= rng.uniform(0.8, 1.25)
        else:
            shape, size = sought, size_m * rng.choice([rng.uniform(0.4, 0.86), rng.uniform(1.16, 2.0)])
        tone = rng.choice([1, 2])

        def mark(x, y):
            u, v = turn(x, y)
            t = tone_at(shape, u / size, v / size)
            return np.where((t == 2) & (tone == 1) & (kind == "other-mark"), 1, t)

        return mark
    if kind == "leaves":
        count = rng.integers(10, 120)
        at, r = rng.uniform(-1.1, 1.1, (count, 2)), rng.uniform(0.02, 0.08, count)
        tone = rng.choice([1, 2], count)

        def litter(x, y):
            t = np.zeros(x.shape, int)
            for (e, n), radius, k in zip(at, r, tone, strict=True):
                t[np.hypot(x - e, (y - n) * 1.5) < radius] = k
            return t

        return litter
    if kind in ("shadow-edge", "kerb"):
        second = rng.uniform(0.1, 0.3) if kind == "kerb" else 9.0

        def edge(x, y):
            u, _ = turn(x, y)
            return np.where(u < 0, 0, np.where(u < second, 2, 1))

        return edge
    if kind == "tar-joints":
        strokes = _strokes(rng, rng.integers(1, 5), 2.5, rng.uniform(0.02, 0.08))

        def joints(x, y):
            u, v = turn(x, y)
            return np.where(_near_strokes(u + 0.8, v + 0.8, strokes), 1, 0)

        return joints
    if kind == "text":
        strokes = _strokes(rng, rng.integers(3, 14), rng.uniform(0.2, 0.6), rng.uniform(0.05, 0.12))

        def letters(x, y):
            u, v = turn(x, y)
            return np.where(_near_strokes(u, v, strokes), 2, 0)

        return letters
    if kind == "arrow":
        w, h = rng.uniform(0.08, 0.2), rng.uniform(0.3, 0.7)

        def arrow(x, y):
            u, v = turn(x, y)
            head = (v > 0) & (abs(u) < (h - v) * 0.5)
            return np.where(head | ((abs(u) < w / 2) & (v <= 0)), 2, 0)

        return arrow
    if kind == "setts":
        a, b, joint = rng.uniform(0.08, 0.3), rng.uniform(0.08, 0.3), rng.uniform(0.008, 0.025)
        seed = rng.integers(1 << 30)

        def setts(x, y):
            u, v = turn(x, y)
            row = np.floor(v / b).astype(int)
            column = np.floor((u + 0.5 * a * (row % 2)) / a).astype(int)
            stone = (column * 7919 + row * 104729 + seed) % 5 == 0
            gap = (np.mod(u + 0.5 * a * (row % 2), a) < joint) | (np.mod(v, b) < joint)
            return np.where(gap, 1, np.where(stone, 2, 0))

        return setts
    if kind == "patch":
        w, h, k = rng.uniform(0.3, 1.2), rng.uniform(0.3, 1.2), rng.choice([1, 2])

        def patch(x, y):
            u, v = turn(x, y)
            return np.where((abs(u) < w / 2) & (abs(v) < h / 2), k, 0)

        return patch
    if kind == "oil":
        a, b = rng.uniform(0.15, 0.5, 2)
        wobble, phase = rng.uniform(0.05, 0.3), rng.uniform(0, 6)

        def oil(x, y):
            u, v = turn(x, y)
            r = np.hypot(u / a, v / b) * (1 + wobble * np.cos(3 * np.arctan2(v, u) + phase))
            return np.where(r < 1, 1, 0)

        return oil
    if kind == "chequers":
        a = rng.uniform(0.12, 0.5)

        def chequers(x, y):
            u, v = turn(x, y)
            return np.where((np.floor(u / a) + np.floor(v / a)) % 2 == 0, 2, 1)

        return chequers
    if kind == "scattered-paint":
        count = rng.integers(2, 8)
        at, half = rng.uniform(-0.7, 0.7, (count, 2)), rng.uniform(0.05, 0.25, (count, 2))
        if sought == "stripe-end":  # a rectangle of the stripe's width has the mark itself at its end
            half = np.where(np.abs(2 * half / size_m - 1) < 0.15, 1.4 * half, half)

        def paint(x, y):
            u, v = turn(x, y)
            hit = np.zeros(x.shape, bool)
            for (e, n), (w, h) in zip(at, half, strict=True):
                hit |= (abs(u - e) < w) & (abs(v - n) < h)
            return np.where(hit, 2, 0)

        return paint
    raise ValueError(kind)
