"""Which clip can follow which: how far each one's end is from each one's start, in pose and in speed."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from .measure import SetGaps, set_gaps
from .pipeline import FinishedClip

_CLOSE_CM, _FAR_CM = 3.0, 15.0  # between them the matrix goes from clear to full colour
_SAME_CM = 0.05  # below it no joint is worth naming
_MOST = 24  # clips; a larger matrix cannot be read


def pairs(clips: Sequence[FinishedClip]) -> str:
    """The matrix of a set, and a line that tells of the pair that is pointed at; without additive clips."""
    poses = {clip.name: clip.in_world for clip in clips if not clip.additive}
    if not 1 < len(poses) <= _MOST:
        return ""
    gaps = set_gaps(poses, clips[0].body)
    head = "".join(f'<th scope="col" class="n">{escape(name)}</th>' for name in gaps.names)
    rows = "".join(
        f'<tr><th scope="row">{escape(name)}</th>'
        + "".join(_cell(gaps, row, column) for column in range(len(poses)))
        + "</tr>"
        for row, name in enumerate(gaps.names)
    )
    return (
        '<h2 id="chain">Which clip can follow which</h2><p class="soft">From the last pose of the clip in '
        "the row to the first of the one in the column: the mean distance of the joints in cm, and below it "
        "the mean difference of their speeds in cm/s, place and heading aside. The paler, the shorter a "
        'blend may be.</p><div class="wide heat"><table role="grid" aria-label="Gaps between clips">'
        f"<thead><tr><th></th>{head}</tr></thead><tbody>{rows}</tbody></table></div>"
        '<p class="soft" id="pair" role="status">Point at a pair, or walk there with the arrow keys, '
        "to see which joints are furthest apart.</p>"
    )


def _cell(gaps: SetGaps, row: int, column: int) -> str:
    cm, deg, cm_s = (float(values[row, column]) for values in (gaps.cm, gaps.deg, gaps.cm_s))
    said = f"{gaps.names[row]} to {gaps.names[column]}: {cm:.1f} cm, {deg:.1f}°, {cm_s:.0f} cm/s"
    if cm >= _SAME_CM:
        said += f"; furthest apart: {', '.join(gaps.worst[row][column])}"
    first = "0" if row == column == 0 else "-1"
    return (
        f'<td tabindex="{first}" title="{escape(said)}" style="--part: {_part(cm)}%">{cm:.1f}'
        f"<small>{cm_s:.0f}</small></td>"
    )


def _part(gap_cm: float) -> int:
    return round(45 * min(max((gap_cm - _CLOSE_CM) / (_FAR_CM - _CLOSE_CM), 0.0), 1.0))
