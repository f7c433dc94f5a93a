"""The report of a guided procedure: one page that stands by itself, to be printed and signed.

Theory of operation
-------------------
The page is HTML with its style and its pictures (SVG) inside, so that it can be mailed, opened
anywhere and printed on one sheet of A4.  A verdict is told by word and sign as well as by colour.
What the record holds is escaped; nothing in the page is fetched from anywhere.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from io import BytesIO
from string import Template

from matplotlib import rc_context
from matplotlib.figure import Figure

from hostsim.guided.procedure import Step
from hostsim.guided.record import FAILED, PASSED, SKIPPED, Record
from hostsim.plots import STYLE

SIGNS = {PASSED: "&#10003;", FAILED: "&#10007;", SKIPPED: "&#8211;", "": "&#183;"}
WORDS = {PASSED: "passed", FAILED: "failed", SKIPPED: "skipped", "": "open"}

WHO = ("model", "serial", "version")

PAGE = Template("""\
<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<title>$title</title>
<style>
@page { size: A4; margin: 11mm 12mm; }
* { box-sizing: border-box; }
body { font: 8.6pt/1.32 "DejaVu Sans", "Segoe UI", Arial, sans-serif; color: #22272e;
  max-width: 188mm; margin: 0 auto; padding: 4mm 1mm; background: white; }
h1 { font-size: 14pt; margin: 0; letter-spacing: -0.01em; }
h2 { font-size: 9.6pt; margin: 3.2mm 0 1mm; padding-top: 1.4mm; border-top: 0.5pt solid #dfe3e8; }
p { margin: 0.6mm 0; }
header { display: flex; justify-content: space-between; align-items: flex-start; gap: 6mm;
  border-bottom: 1.2pt solid #1f4e8c; padding-bottom: 2mm; margin-bottom: 1.6mm; }
header .facts { color: #57606a; font-size: 7.8pt; }
.badge { border: 1.2pt solid; border-radius: 2mm; padding: 1mm 3mm; font-weight: bold;
  font-size: 10pt; white-space: nowrap; }
.passed { color: #1a6f63; } .failed { color: #a3291f; } .skipped, .open { color: #6b7480; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; vertical-align: top; padding: 0.5mm 2mm 0.5mm 0;
  border-bottom: 0.5pt solid #eef0f3; }
th { color: #57606a; font-weight: normal; font-size: 7.8pt; }
td.number { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }
td.sign { width: 17mm; white-space: nowrap; font-weight: bold; }
.when { white-space: nowrap; }
.remedy { color: #a3291f; }
.small { color: #57606a; font-size: 7.6pt; }
figure { margin: 1mm 0 0; } figure svg { width: 100%; height: auto; display: block; }
.sign-off { display: flex; gap: 10mm; margin-top: 6mm; color: #57606a; font-size: 7.8pt; }
.sign-off div { flex: 1; border-top: 0.5pt solid #22272e; padding-top: 0.6mm; }
</style>
</head>
<body>
<header><div><h1>$title</h1><p class="facts">$facts</p></div>
<div class="badge $state">$badge</div></header>
$body
<div class="sign-off"><div>done by</div><div>guard and interlock checked by</div>
<div>date</div></div>
</body>
</html>
""")


@dataclass(frozen=True)
class Table:
    """A table of the page: headings, rows of text, and which columns are numbers."""

    title: str
    headings: Sequence[str]
    rows: Sequence[Sequence[str]]
    numbers: Sequence[int] = ()
    note: str = ""


@dataclass(frozen=True)
class Picture:
    """A picture of the page."""

    title: str
    svg: str


def page(
    title: str, record: Record, steps: Sequence[Step], parts: Sequence[Table | Picture] = ()
) -> str:
    """The whole page: head, `parts`, then what each step has found."""
    states = [_state(record, step) for step in steps]
    if FAILED in states:
        state, badge = FAILED, f"{SIGNS[FAILED]} failed"
    elif "" in states:
        state, badge = "open", f"{states.count('')} steps to go"
    else:
        state, badge = PASSED, f"{SIGNS[PASSED]} passed"
    model, serial, version = (escape(record.module[name]) for name in WHO)
    ended = f"finished {_moment(record.finished)}" if record.finished else "not finished"
    facts = (
        f"{model}, serial {serial}, firmware {version}, settings {record.settings}"
        f"<br>begun {_moment(record.begun)}, {ended}"
    )
    body = [_table(part) if isinstance(part, Table) else _picture(part) for part in parts]
    body.append(_steps(record, steps))
    return PAGE.substitute(
        title=escape(title), facts=facts, state=state, badge=badge, body="\n".join(body)
    )


def _state(record: Record, step: Step) -> str:
    entry = record.entries.get(step.key)
    return "" if entry is None else entry.finding.verdict


def _moment(iso: str) -> str:
    """A moment as people write it, to the minute."""
    return escape(f"{iso[:10]} {iso[11:16]}{' UTC' if iso.endswith('+00:00') else ''}")


def _steps(record: Record, steps: Sequence[Step]) -> str:
    rows = []
    for step in steps:
        entry = record.entries.get(step.key)
        state = _state(record, step)
        said = remedy = at = ""
        if entry is not None:
            said, at = escape(entry.finding.said), _moment(entry.at)
            if entry.finding.remedy:
                remedy = f'<br><span class="remedy">{escape(entry.finding.remedy)}</span>'
        rows.append(
            f'<tr><td class="sign {WORDS[state]}">{SIGNS[state]} {WORDS[state]}</td>'
            f"<td>{escape(step.title)}</td><td>{said}{remedy}</td>"
            f'<td class="small">{escape(step.rule)}</td><td class="small when">{at}</td></tr>'
        )
    head = "<tr><th></th><th>step</th><th>found</th><th>passes if</th><th>when</th></tr>"
    return f"<h2>Steps</h2>\n<table>{head}\n" + "\n".join(rows) + "\n</table>"


def _table(part: Table) -> str:
    head = "".join(f"<th>{escape(heading)}</th>" for heading in part.headings)
    rows = []
    for row in part.rows:
        cells = "".join(
            f'<td class="number">{escape(cell)}</td>'
            if place in part.numbers
            else f"<td>{escape(cell)}</td>"
            for place, cell in enumerate(row)
        )
        rows.append(f"<tr>{cells}</tr>")
    note = f'<p class="small">{escape(part.note)}</p>' if part.note else ""
    return (
        f"<h2>{escape(part.title)}</h2>\n<table><tr>{head}</tr>\n"
        + "\n".join(rows)
        + f"\n</table>{note}"
    )


def _picture(part: Picture) -> str:
    return f"<h2>{escape(part.title)}</h2>\n<figure>{part.svg}</figure>"


def svg_of(figure: Figure) -> str:
    """A matplotlib figure as an SVG element to stand inside a page."""
    sheet = BytesIO()
    with rc_context({**STYLE, "svg.fonttype": "path"}):
        figure.savefig(sheet, format="svg", metadata={"Date": None, "Creator": None})
    text = sheet.getvalue().decode()
    element = text[text.index("<svg") :]
    return re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", re.sub(r' height="[^"]*pt"', "", element))
