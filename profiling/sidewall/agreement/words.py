"""Agreement in words."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final

from sidewall.models.answers import NOT_KNOWN

if TYPE_CHECKING:
    from sidewall.agreement.agreement import Agreement


#: What the columns of lengths are called.
length_words: Final = {
    "gap_m": "gap",
    "x_m": "contact, across",
    "y_m": "contact, depth",
    "bounce_x_m": "bounce, across",
    "bounce_y_m": "bounce, depth",
}


def summary_lines(agreement: Agreement) -> Iterator[str]:
    """Lines of :meth:`Agreement.summary`; every number with its interval and n."""
    yield f"Two charters, {agreement.level:.0%} intervals that allow for rallies."
    for row in agreement.found_.to_dict("records"):
        share = (
            f"{100 * row['share']:.1f} in 100 ({100 * row['low']:.1f} to {100 * row['high']:.1f})"
        )
        yield f"{str(row['what']).capitalize()}: {share}, n = {row['n']:,}."
    for row in agreement.words_.to_dict("records"):
        yield _word_line({str(key): value for key, value in row.items()})
    for row in agreement.limits_.to_dict("records"):
        yield _length_line({str(key): value for key, value in row.items()}, agreement)
    error = agreement.gap_error_
    if error.notna().all():
        sd, low, high = (100 * float(error[key]) for key in ("sd_m", "low_m", "high_m"))
        yield (
            f"Error of one charted gap, if both err alike: standard deviation {sd:.1f} cm "
            f"({low:.1f} to {high:.1f})."
        )


def _size(row: dict[str, Any], what: str) -> str:
    rallies = row["rallies"]
    return f"n = {row['n']:,} {what} in {rallies:,} {'rally' if rallies == 1 else 'rallies'}"


def _word_line(row: dict[str, Any]) -> str:
    size, name = _size(row, "pairs"), str(row["column"]).replace("_", " ").capitalize()
    if row["status"] == NOT_KNOWN:
        return f"{name}: {NOT_KNOWN}, {size}."
    kappa = f"kappa {row['kappa']:.2f} ({row['kappa_low']:.2f} to {row['kappa_high']:.2f})"
    same = f"the same word {100 * row['agreed']:.0f} times in 100"
    return f"{name}: {kappa}, {same}, {size}."


def _length_line(row: dict[str, Any], agreement: Agreement) -> str:
    name, size = length_words[row["column"]].capitalize(), _size(row, "balls")
    if row["status"] == NOT_KNOWN:
        return f"{name}: {NOT_KNOWN}, {size}."
    cm = {key: 100 * row[f"{key}_m"] for key in ("bias", "bias_low", "bias_high", "lower", "upper")}
    table = agreement.intraclass_
    icc = table[(table["column"] == row["column"]) & (table["form"] == "ICC(2,1)")].iloc[0]
    return (
        f"{name}: first less second {cm['bias']:+.1f} cm ({cm['bias_low']:+.1f} to "
        f"{cm['bias_high']:+.1f}), {agreement.level:.0%} of differences between {cm['lower']:+.1f} "
        f"and {cm['upper']:+.1f} cm, ICC(2,1) {icc['icc']:.3f} ({icc['low']:.3f} to "
        f"{icc['high']:.3f}), {size}."
    )
