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
from hostsim.guided.record import FAILED, PASSED, SKIPPED, Record, moment
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
body { font: 8.2pt/1.3 "DejaVu Sans", "Segoe UI", Arial, sans-serif; color: #22272e;
  max-width: 188mm; margin: 0 auto; padding: 2mm 1mm; background: white; }
h1 { font-size: 14pt; margin: 0; letter-spacing: -0.01em; }
h2 { font-size: 9.2pt; margin: 2.4mm 0 0.6mm; padding-top: 1.1mm; border-top: 0.5pt solid #dfe3e8; }
p { margin: 0.6mm 0; }
header { display: flex; justify-content: space-between; align-items: flex-start; gap: 6mm;
  border-bottom: 1.2pt solid #1f4e8c; padding-bottom: 2mm; margin-bottom: 1.6mm; }
header .facts { color: #57606a; font-size: 7.8pt; }
.badge { border: 1.2pt solid; border-radius: 2mm; padding: 1mm 3mm; font-weight: bold;
  font-size: 10pt; white-space: nowrap; }
.passed { color: #1a6f63; } .failed { color: #a3291f; } .skipped, .open { color: #6b7480; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; vertical-align: top; padding: 0.25mm 2mm 0.25mm 0;
  border-bottom: 0.5pt solid #eef0f3; }
th { color: #57606a; font-weight: normal; font-size: 7.8pt; }
td.number, th.number { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }
td.sign { width: 16mm; white-space: nowrap; font-weight: bold; }
.when { white-space: nowrap; }
.remedy { color: #a3291f; }
.small { color: #57606a; font-size: 7.2pt; }
table.steps { font-size: 7.6pt; }
.beside { display: grid; grid-template-columns: 1fr 46mm; gap: 6mm; align-items: start; }
figure { margin: 1mm 0 0; } figure svg { width: 100%; height: auto; display: block; }
.sign-off { display: flex; gap: 10mm; margin-top: 8mm; color: #57606a; font-size: 7.8pt; }
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
    """A table of the page: headings, rows of text, which columns are numbers; a note beside it."""

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
    title: str,
    record: Record,
    steps: Sequence[Step],
    parts: Sequence[Table | Picture] = (),
    rules: bool = True,
) -> str:
    """The whole page: head, `parts`, then what each step has found and, if there is room, how it
    was judged."""
    states = [_state(record, step) for step in steps]
    if FAILED in states:
        state, badge = FAILED, f"{SIGNS[FAILED]} failed"
    elif "" in states:
        state, badge = "open", f"{states.count('')} steps to go"
    else:
        state, badge = PASSED, f"{SIGNS[PASSED]} passed"
    model, serial, version = (escape(record.module[name]) for name in WHO)
    ended = f"finished {escape(moment(record.finished))}" if record.finished else "not finished"
    facts = (
        f"{model}, serial {serial}, firmware {version}, settings {record.settings}"
        f"<br>begun {escape(moment(record.begun))}, {ended}"
    )
    body = [_table(part) if isinstance(part, Table) else _picture(part) for part in parts]
    body.append(_steps(record, steps, rules))
    return PAGE.substitute(
        title=escape(title), facts=facts, state=state, badge=badge, body="\n".join(body)
    )


def _state(record: Record, step: Step) -> str:
    entry = record.entries.get(step.key)
    return "" if entry is None else entry.finding.verdict


def _steps(record: Record, steps: Sequence[Step], rules: bool) -> str:
    rows = []
    for step in steps:
        entry = record.entries.get(step.key)
        state = _state(record, step)
        said = remedy = at = ""
        if entry is not None:
            said, at = escape(entry.finding.said), escape(moment(entry.at, record.begun))
            if entry.finding.remedy:
                remedy = f'<br><span class="remedy">{escape(entry.finding.remedy)}</span>'
        rule = f'<td class="small">{escape(step.rule)}</td>' if rules else ""
        rows.append(
            f'<tr><td class="sign {WORDS[state]}">{SIGNS[state]} {WORDS[state]}</td>'
            f'<td class="when">{escape(step.title)}</td><td>{said}{remedy}</td>{rule}'
            f'<td class="small when">{at}</td></tr>'
        )
    rule = "<th>passes if</th>" if rules else ""
    head = f"<tr><th></th><th>step</th><th>found</th>{rule}<th>when</th></tr>"
    return f'<h2>Steps</h2>\n<table class="steps">{head}\n' + "\n".join(rows) + "\n</table>"


def _table(part: Table) -> str:
    head = "".join(
        f"<th{' class=number' if place in part.numbers else ''}>{escape(heading)}</th>"
        for place, heading in enumerate(part.headings)
    )
    rows = []
    for row in part.rows:
        cells = "".join(
            f'<td class="number">{escape(cell)}</td>'
            if place in part.numbers
            else f"<td>{escape(cell)}</td>"
            for place, cell in enumerate(row)
        )
        rows.append(f"<tr>{cells}</tr>")
    table = f"<table><tr>{head}</tr>\n" + "\n".join(rows) + "\n</table>"
    if part.note:
        note = "".join(f"<p>{escape(line)}</p>" for line in part.note.split("\n"))
        table = f'<div class="beside">{table}<div class="small">{note}</div></div>'
    return f"<h2>{escape(part.title)}</h2>\n{table}"


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
