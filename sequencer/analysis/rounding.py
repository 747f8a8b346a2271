"""How many digits a number is printed with: its uncertainty to two significant digits, the number to the same
place.

After JCGM 100, 7.2.6. Rounding is half away from zero, on the decimal digits of the shortest text of the number.
"""

from __future__ import annotations

import math
from decimal import ROUND_HALF_UP, Decimal

UNCERTAINTY_DIGITS = 2
PLAIN_DIGITS = 4  # significant digits of a number without an uncertainty
MINUS = "\N{MINUS SIGN}"


def place(uncertainty: float, digits: int = UNCERTAINTY_DIGITS) -> int:
    """Power of ten of the last digit kept: 0.0234 -> -3, 1.7 -> -1, 230 -> 1.

    ValueError unless above zero and finite.
    """
    if not (uncertainty > 0.0 and math.isfinite(uncertainty)):
        raise ValueError("an uncertainty is above zero and finite")
    exact = Decimal(repr(uncertainty))
    first = exact.adjusted() - digits + 1
    return first + (_at(exact, first).adjusted() > exact.adjusted())  # 0.0996 becomes 0.10


def with_uncertainty(value: float, uncertainty: float) -> tuple[str, str]:
    """(value, uncertainty) as texts with digits to the same place: 112.34, 2.41 -> "112.3", "2.4"."""
    at = place(uncertainty)
    return _text(value, at), _text(uncertainty, at)


def plain(value: float, digits: int = PLAIN_DIGITS) -> str:
    """A number without a known uncertainty, to so many significant digits."""
    return "0" if value == 0.0 else _text(value, place(abs(value), digits))


def watts_text(power_w: float, expanded_w: float | None = None) -> str:
    """ "112.3 ± 2.4 W", or "112.3 W" to four digits."""
    if not expanded_w:
        return f"{plain(power_w)} W"
    value, u = with_uncertainty(power_w, expanded_w)
    return f"{value} ± {u} W"


def percent_text(ratio: float, floor: float | None = None) -> str:
    """A ratio in percent to the place of its floor's first digit, at most four decimals: 0.00973, 0.0002 -> "0.97
    %"."""
    at = -2 if not floor else max(-4, place(100.0 * floor, 1))
    return f"{_text(100.0 * ratio, min(at, 0))} %"


def below_floor_text(floor: float, times: float) -> str:
    """ "< 0.05 %": what a reading below its floor leaves possible, rounded up to one digit."""
    most_pct = 100.0 * floor * times
    at = place(most_pct, 1)
    shown = Decimal(repr(most_pct)).quantize(Decimal(1).scaleb(at), rounding="ROUND_UP")
    return f"< {shown:f} %"


def level_text(db: float) -> str:
    """A level or a difference of levels, with sign and two decimals: "+0.25 dB"."""
    text = _text(db, -2)
    return f"{text if text.startswith(MINUS) else '+' + text} dB"


def _at(value: Decimal, at: int) -> Decimal:
    return value.quantize(Decimal(1).scaleb(at), rounding=ROUND_HALF_UP)


def _text(value: float, at: int) -> str:
    """Decimal text to the place `at`, never in powers of ten, minus as a sign of its own, no minus before zero."""
    exact = Decimal(repr(value))
    # A float carries 17 significant digits: further ones would be invented.
    rounded = _at(exact, max(at, exact.adjusted() - 16) if exact else at)
    text = f"{abs(rounded):f}"
    return f"{MINUS}{text}" if rounded < 0 else text
