"""Headers: published match vectors, and that the command table keeps SCPI's rules."""

import pytest

from controller.cycle.unit import COMMANDS, MODES
from controller.link.commands import TREE
from controller.link.refusal import Refused
from controller.link.scpi_header import find, matches, mixed_case, short_form
from controller.link.scpi_lexer import MNEMONIC_MAX, scan

PATTERNS = [root + row[0] for root, _title, rows in TREE for row in rows]


def understood(pattern: str, header: str) -> bool:
    """Whether a header, as it comes over the line, has the pattern."""
    try:
        [(read, _data)] = scan(header.encode())
    except Refused:
        return False
    return matches(pattern, read)


# scpi-parser, libscpi/test/test_scpi_utils.c, testMatchCommand: pattern, then header and result.
# Left out: the patterns with numeric suffixes (none of ours has one) and a header of only "?".
PUBLISHED = {
    "A": "a+",
    "Ab": "a+ ab+",
    "AB": "a-",
    "ABcc:AACddd": "ab:aac+ abcc:aac+ abcc:aacddd+ abcc:aacdd- a:aac- :ab:aac+ :abcc:aac+ "
    ":abcc:aacddd+ :abcc:aacdd- :a:aac-",
    "A?": "A?+ A-",
    "[:ABcc]:AACddd": ":ab:aac+ aac+ aac?-",
    "[:ABcc]:AACddd?": ":ab:aac?+ aac?+ aac-",
    "ABcc[:BCCdddd]:CDEFGeeeee": "ab:bcc:cdefg+ ab:cdefg+ ab:cdefg?-",
    "ABcc[:BCCdddd]:CDEFGeeeee?": "ab:bcc:cdefg?+ ab:cdefg?+ ab:cdefg-",
    "ABcc:BCCdddd[:CDEFGeeeee]": "ab:bcc:cdefg+ ab:bcc+ ab:bcc?-",
    "ABcc:BCCdddd[:CDEFGeeeee]?": "ab:bcc:cdefg?+ ab:bcc?+ ab:bcc-",
    "[:ABcc]:BCCdddd[:CDEFGeeeee]": "ab:bcc:cdefg+ ab:bcc+ bcc:cdefg+ ab:bcc?- bcc:cdefg?-",
    "[:ABcc]:BCCdddd[:CDEFGeeeee]?": "ab:bcc:cdefg?+ ab:bcc?+ bcc:cdefg?+ ab:bcc- bcc:cdefg-",
    "ABcc[:BCCdddd][:CDEFGeeeee]": "ab:bcc:cdefg+ ab:bcc+ ab:cdefg+ ab:bcc?- ab:cdefg?-",
    "ABcc[:BCCdddd][:CDEFGeeeee]?": "ab:bcc:cdefg?+ ab:bcc?+ ab:cdefg?+ ab:bcc- ab:cdefg-",
    "*IDN?": "idn- idn?- *idn- *idn?+ :idn- :idn?- :*idn- :*idn?-",
    "MEASure[:SCALar]:CURRent[:DC]?": ":MEAS?- MEAS?- :MEAS:DC?- MEAS:DC?- :MEAS:CURR?+ "
    "MEAS:CURR?+ :MEAS:SCAL:CURR?+ MEAS:SCAL:CURR?+ :MEAS:SCAL:CURR:DC?+ MEAS:SCAL:CURR:DC?+ "
    ":MEAS:CURR:DC?+ MEAS:CURR:DC?+",
    "MEASure[:SCALar]:CURRent[:DC]": ":MEAS- MEAS- :MEAS:DC- MEAS:DC- :MEAS:CURR+ MEAS:CURR+ "
    ":MEAS:SCAL:CURR+ MEAS:SCAL:CURR+ :MEAS:SCAL:CURR:DC+ MEAS:SCAL:CURR:DC+ :MEAS:CURR:DC+ "
    "MEAS:CURR:DC+",
}


@pytest.mark.parametrize("pattern", PUBLISHED)
def test_published_match_vectors(pattern: str) -> None:
    for case in PUBLISHED[pattern].split():
        assert understood(pattern, case[:-1]) == (case[-1] == "+"), case


@pytest.mark.parametrize("word", ["AUTO", "IMMediate", "FORMat", "DELay", "OUTPut", "POLynomial"])
def test_published_short_forms(word: str) -> None:
    # Keithley 2000 User's Manual p. 121, 6430 Reference Manual p. 271, 6517A User's Manual p. 174.
    assert mixed_case(word.upper()) == word


def words_of(pattern: str) -> list[str]:
    return pattern.replace("[", "").replace("]", "").rstrip("?").split(":")


@pytest.mark.parametrize("pattern", [p for p in PATTERNS if p[0] != "*"])
def test_every_word_of_the_table_keeps_the_short_form_rule(pattern: str) -> None:
    for word in words_of(pattern):
        assert mixed_case(word) == word
        assert len(word) <= MNEMONIC_MAX


def every_form(pattern: str) -> list[str]:
    """All headers a pattern stands for."""
    forms = [""]
    for part in pattern.rstrip("?").replace("[:", ":[").split(":"):
        word = part.strip("[]")
        shorts = {word.upper()} if word[0] == "*" else {word.upper(), short_form(word)}
        longer = [f"{form}:{short}" for form in forms for short in shorts]
        forms = longer + forms if part[0] == "[" else longer
    return [form.removeprefix(":") + "?" * pattern.endswith("?") for form in forms]


def test_every_header_leads_to_its_own_row_and_no_other() -> None:
    for pattern in PATTERNS:
        for header in every_form(pattern):
            assert [other for other in PATTERNS if matches(other, header)] == [pattern], header
            root, row = find(TREE, header)
            assert root + row[0] == pattern
            assert find(TREE, header.lower().upper()) == (root, row)


def test_words_of_a_choice_can_be_told_apart() -> None:
    for words in (COMMANDS[1:], MODES[1:]):
        forms = [form for word in words for form in {short_form(word), word.upper()}]
        assert len(forms) == len(set(forms))
        assert all(len(form) <= MNEMONIC_MAX for form in forms)
