"""The recording as a strip of time, drawn as SVG: words and patterns, never colour alone."""

from __future__ import annotations

import base64
from html import escape

from review.analysis import Analysis, Flag, FlagLevel, PhaseRecord
from review.deskview import SIGNS
from review.timeline import Phase
from review.wording import FLAGS, LEVELS, PHASES, clock

WIDTH, HEIGHT = 1200, 250
"""Size of the drawing in its own units; it scales with the page."""

LEFT, RIGHT = 12, WIDTH - 12
PHASE_TOP, PHASE_HEIGHT = 40, 92
OPEN_TOP, OPEN_HEIGHT = 138, 14
FLAG_TOP = 166
AXIS_Y = 222
LETTER_WIDTH = 12.0
"""Mean width of a letter at the label's size, to know whether a label fits."""

FILLS: dict[Phase, tuple[str, str]] = {
    Phase.WASH: ("#cfe0ec", "waves"),
    Phase.SURFACE_PREP: ("#e6dcc4", "rows"),
    Phase.HAND_RUB: ("#d8e8d0", "dots"),
    Phase.CONNECT: ("#f1d3c2", "rising"),
    Phase.WAITING: ("#f3f1ea", "plain"),
    Phase.DISCONNECT: ("#e3d2e4", "falling"),
    Phase.OTHER: ("#ffffff", "plain"),
}
"""Background and pattern of each phase; any two differ in both pattern and words."""

_PATTERNS = """
<pattern id="waves" width="20" height="10" patternUnits="userSpaceOnUse">
<path d="M0 5 q5 -6 10 0 t10 0" fill="none" stroke="#1c1f24" stroke-opacity=".35"/></pattern>
<pattern id="rows" width="8" height="8" patternUnits="userSpaceOnUse">
<path d="M0 4 h8" stroke="#1c1f24" stroke-opacity=".35"/></pattern>
<pattern id="dots" width="10" height="10" patternUnits="userSpaceOnUse">
<circle cx="5" cy="5" r="1.6" fill="#1c1f24" fill-opacity=".45"/></pattern>
<pattern id="rising" width="10" height="10" patternUnits="userSpaceOnUse">
<path d="M0 10 L10 0" stroke="#1c1f24" stroke-opacity=".4"/></pattern>
<pattern id="falling" width="10" height="10" patternUnits="userSpaceOnUse">
<path d="M0 0 L10 10" stroke="#1c1f24" stroke-opacity=".4"/></pattern>
<pattern id="plain" width="10" height="10" patternUnits="userSpaceOnUse"></pattern>
"""

_FLAG_SHAPES = {
    FlagLevel.LOOK: "M0 0 L22 0 L11 20 Z",
    FlagLevel.NOTE: "M11 0 L22 10 L11 20 L0 10 Z",
    FlagLevel.CANNOT_TELL: "M2 0 H20 V20 H2 Z",
}


def time_strip_svg(analysis: Analysis) -> str:
    """The phases, the open line and the flagged moments over time, as one SVG element.

    Everything drawn is also said in its description, for people who do not see it.
    """
    duration_s = max(analysis.recording.duration_s, 0.001)
    parts = [
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" width="100%" role="img" '
        f'aria-labelledby="strip-title strip-text" xmlns="http://www.w3.org/2000/svg" '
        f'font-family="sans-serif" fill="#1c1f24">',
        f'<title id="strip-title">{escape(analysis.recording.file)} over time</title>',
        f'<desc id="strip-text">{escape(describe(analysis))}</desc>',
        f"<defs>{_PATTERNS}</defs>",
        f'<rect x="{LEFT}" y="{PHASE_TOP}" width="{RIGHT - LEFT}" height="{PHASE_HEIGHT}" '
        f'fill="#ffffff" stroke="#6b6f76"/>',
    ]
    parts += [_phase_block(phase, duration_s) for phase in analysis.phases]
    for span in analysis.open_line:
        start, end = _x(span.start_s, duration_s), _x(span.end_s, duration_s)
        parts.append(
            f'<rect x="{start:.1f}" y="{OPEN_TOP}" width="{max(end - start, 2):.1f}" '
            f'height="{OPEN_HEIGHT}" fill="#1c1f24"><title>Line open, {clock(span.start_s)} to '
            f"{clock(span.end_s)}</title></rect>"
        )
    words = "Below the phases: black bar, line open; ! please look; i note; ? cannot tell"
    parts.append(f'<text x="{LEFT}" y="24" font-size="17">{words}</text>')
    parts += [_flag_mark(flag, duration_s) for flag in analysis.flags]
    parts += _axis(duration_s)
    parts.append("</svg>")
    return "".join(parts)


def time_strip_html(analysis: Analysis) -> str:
    """The strip as a picture element whose alternative text says all that it shows.

    Streamlit removes drawings written straight into a page, so this one is handed over as a
    picture.
    """
    picture = base64.b64encode(time_strip_svg(analysis).encode()).decode()
    return (
        f'<img style="width:100%;min-width:600px" alt="{escape(describe(analysis))}" '
        f'src="data:image/svg+xml;base64,{picture}">'
    )


def describe(analysis: Analysis) -> str:
    """What the strip shows, in words."""
    phases = [f"{PHASES[p.phase]} {clock(p.start_s)} to {clock(p.end_s)}" for p in analysis.phases]
    flags = [f"{FLAGS[f.kind]} at {clock(f.start_s)}" for f in analysis.flags]
    return f"Phases: {', '.join(phases) or 'none found'}. Flagged: {', '.join(flags) or 'nothing'}."


def _x(time_s: float, duration_s: float) -> float:
    return LEFT + (RIGHT - LEFT) * min(max(time_s / duration_s, 0.0), 1.0)


def _phase_block(phase: PhaseRecord, duration_s: float) -> str:
    start, end = _x(phase.start_s, duration_s), _x(phase.end_s, duration_s)
    colour, pattern = FILLS[phase.phase]
    name = PHASES[phase.phase]
    box = f'x="{start:.1f}" y="{PHASE_TOP}" width="{end - start:.1f}" height="{PHASE_HEIGHT}"'
    middle_x, middle_y = (start + end) / 2, PHASE_TOP + PHASE_HEIGHT / 2
    if end - start < LETTER_WIDTH * len(name):
        name = name.split()[0] if phase.phase is Phase.SURFACE_PREP else name
    if end - start >= LETTER_WIDTH * len(name):
        turn = ""
    elif end - start >= 20:
        turn = f' transform="rotate(-90 {middle_x:.1f} {middle_y})"'
    else:
        name, turn = "", ""
    size = 20 if not turn else min(18.0, PHASE_HEIGHT / (0.56 * max(len(name), 1)))
    label = (
        f'<text x="{middle_x:.1f}" y="{middle_y}" text-anchor="middle" '
        f'dominant-baseline="central" font-size="{size:.0f}" stroke="{colour}" '
        f'stroke-width="5" paint-order="stroke"{turn}>{escape(name)}</text>'
    )
    return (
        f"<g><title>{PHASES[phase.phase]}, {clock(phase.start_s)} to {clock(phase.end_s)}</title>"
        f'<rect {box} fill="{colour}" stroke="#6b6f76"/><rect {box} fill="url(#{pattern})"/>'
        f"{label}</g>"
    )


def _flag_mark(flag: Flag, duration_s: float) -> str:
    x = _x((flag.start_s + flag.end_s) / 2, duration_s) - 11
    words = f"{LEVELS[flag.level]}: {FLAGS[flag.kind]}, {clock(flag.start_s)}"
    filled = flag.level is FlagLevel.LOOK
    return (
        f'<g transform="translate({x:.1f} {FLAG_TOP})"><title>{escape(words)}</title>'
        f'<path d="{_FLAG_SHAPES[flag.level]}" fill="{"#1c1f24" if filled else "#ffffff"}" '
        f'stroke="#1c1f24" stroke-width="2"/><text x="11" y="{8 if filled else 11}" '
        f'text-anchor="middle" dominant-baseline="central" font-size="13" font-weight="bold" '
        f'fill="{"#ffffff" if filled else "#1c1f24"}">{SIGNS[flag.level]}</text></g>'
    )


def _axis(duration_s: float) -> list[str]:
    steps = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600)
    step = next((s for s in steps if duration_s / s <= 10), steps[-1])
    parts = [f'<path d="M{LEFT} {AXIS_Y - 20} H{RIGHT}" stroke="#6b6f76"/>']
    for number in range(int(duration_s // step) + 1):
        x = _x(number * step, duration_s)
        anchor = "start" if number == 0 else "middle" if x < RIGHT - 30 else "end"
        parts.append(
            f'<path d="M{x:.1f} {AXIS_Y - 26} v12" stroke="#6b6f76"/><text x="{x:.1f}" '
            f'y="{AXIS_Y + 14}" text-anchor="{anchor}" font-size="17">'
            f"{clock(number * step).removesuffix('.0')}</text>"
        )
    return parts
