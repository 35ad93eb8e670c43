"""Whole Wh shared out over time: nothing lost, nothing made."""


def intervals(from_ms: int, to_ms: int, interval_ms: int) -> list[tuple[int, int]]:
    """The settlement intervals that [from_ms, to_ms) touches, as (interval's start, ms inside it).

    Times are UTC milliseconds; intervals start at multiples of interval_ms. Empty where from_ms >= to_ms.
    """
    parts: list[tuple[int, int]] = []
    start_ms = from_ms - from_ms % interval_ms
    while start_ms < to_ms:
        end_ms = start_ms + interval_ms
        parts.append((start_ms, min(end_ms, to_ms) - max(start_ms, from_ms)))
        start_ms = end_ms
    return parts if from_ms < to_ms else []


def spread(amount: int, weights: list[int]) -> list[int]:
    """Shares `amount` (>= 0) out in proportion to `weights` (>= 0, not all 0); the parts add up to it exactly.

    Largest remainder: each part is rounded down, then the units left over go one each to the parts that lost
    most, the earlier one where two lost the same.
    Raises ValueError where there is nothing to share over.
    """
    total = sum(weights)
    if total <= 0:
        raise ValueError(f"expected weights that add up to more than 0, got {total}")
    if not amount:
        return [0] * len(weights)
    parts: list[int] = []
    lost: list[int] = []
    for weight in weights:
        part, remainder = divmod(amount * weight, total)
        parts.append(part)
        lost.append(remainder)
    left = amount - sum(parts)
    for index in sorted(range(len(parts)), key=lambda i: (-lost[i], i))[:left]:
        parts[index] += 1
    return parts
