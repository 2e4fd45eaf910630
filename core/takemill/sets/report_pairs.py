"""Which clip can follow which: how far each one's end is from each one's start, in pose and in speed."""

from __future__ import annotations

from ..base.plain import html_text
from ..pages.html_parts import table
from .clip_facts import Facts

# All chosen by eye.
_PALE_CM, _FULL_COLOUR_CM = 3.0, 15.0  # gaps between which the matrix goes from clear to full colour
_MIN_NAMED_CM = 0.05  # below it no joint is worth naming
_MAX_MATRIX_CLIPS = 24  # clips; a larger matrix cannot be read
_MAX_NEAREST = 5  # clips that are named instead


def render_pairs(facts: Facts) -> str:
    """The matrix of a set, and a line about the pair that is pointed at; without additive clips."""
    gaps = facts["gaps"]
    if not gaps or len(gaps["clips"]) < 2:
        return ""
    names = gaps["clips"]
    if len(names) > _MAX_MATRIX_CLIPS:
        return _followers(gaps)
    head = "".join(f'<th scope="col" class="n">{html_text(name)}</th>' for name in names)
    rows = "".join(
        f'<tr><th scope="row">{html_text(name)}</th>'
        + "".join(_cell(gaps, row, column) for column in range(len(names)))
        + "</tr>"
        for row, name in enumerate(names)
    )
    return (
        '<h2 id="chain">Which clip can follow which</h2><p class="soft">From the last pose of the clip in '
        "the row to the first of the one in the column: the mean distance of the joints in cm, and below it "
        "the mean difference of their speeds in cm/s, place and heading aside. The paler, the shorter a "
        'blend may be.</p><div class="wide heat"><table role="grid" aria-label="Gaps between clips">'
        f"<thead><tr><th></th>{head}</tr></thead><tbody>{rows}</tbody></table></div>"
        '<p class="soft" id="pair" role="status">Point at a pair, or walk there with the arrow keys, '
        "to see which joints have the largest gap.</p>"
    )


def _followers(gaps: Facts) -> str:
    """For each clip of a large set, the clips whose starts are nearest to its end, itself left out."""
    rows = []
    for k, (name, away) in enumerate(zip(gaps["clips"], gaps["cm"], strict=True)):
        order = sorted(
            (j for j in range(len(away)) if j != k), key=lambda j: (away[j], gaps["cm_s"][k][j], j)
        )
        said = (
            f"{html_text(gaps['clips'][j])} ({away[j]:.1f} cm, {gaps['cm_s'][k][j]:.0f} cm/s)"
            for j in order[:_MAX_NEAREST]
        )
        rows.append((html_text(name), f'<span class="wrap">{", ".join(said)}</span>'))
    return (
        '<h2 id="chain">Which clip can follow which</h2><p class="soft">From the last pose of a clip to the '
        f"first of those that are nearest, {_MAX_NEAREST} of them: the mean distance of the joints, and the "
        "mean difference of their speeds, place and heading aside. clips.json has all pairs.</p>"
        + table("Nearest clips", ("clip", "goes over into"), rows, named=True)
    )


def _cell(gaps: Facts, row: int, column: int) -> str:
    cm, deg, cm_s, worst = (gaps[name][row][column] for name in ("cm", "deg", "cm_s", "worst"))
    here, there = gaps["clips"][row], gaps["clips"][column]
    said = f"{here} to {there}: {cm:.1f} cm, {deg:.1f}°, {cm_s:.0f} cm/s"
    if cm >= _MIN_NAMED_CM:
        said += f"; largest at {', '.join(worst)}"
    first = "0" if row == column == 0 else "-1"
    return (
        f'<td tabindex="{first}" title="{html_text(said)}" style="--part: {_colour_percent(cm)}%">{cm:.1f}'
        f"<small>{cm_s:.0f}</small></td>"
    )


def _colour_percent(gap_cm: float) -> int:
    return round(45 * min(max((gap_cm - _PALE_CM) / (_FULL_COLOUR_CM - _PALE_CM), 0.0), 1.0))
