"""Header patterns: how `SYSTem:ERRor[:NEXT]?` matches `syst:err?`, and finding a row by header.

Only the exact short and the exact long form of a mnemonic are legal.  In a pattern the short form
is in capitals; for words that come from elsewhere (`controller.cycle.unit`) it is made by SCPI's
rule.  A node in brackets may be left out.

The tree is a tuple of (root, title, rows); the first field of a row is its pattern from the root
on.  Looking up by root first means that a header is compared with a dozen patterns, not with all;
`index` does the same over what the server keeps of the tree.
"""


def short_form(word):
    """Return the short form of a word by SCPI's rule, in upper case.

    Four letters or fewer: the word.  Else its first four, or three if the fourth is a vowel (y is
    one).  SCPI-1999 volume 1, "Syntax and Style".
    """
    word = word.upper()
    if len(word) <= 4:
        return word
    return word[:3] if word[3] in "AEIOUY" else word[:4]


def mixed_case(word):
    """Return a word as patterns are written: the short form in capitals, the rest not."""
    short = short_form(word)
    return short + word[len(short) :].lower()


def word_matches(pattern, word):
    """Tell whether `word` (upper case) is the short or the long form of a mnemonic pattern."""
    long = pattern.upper()
    if len(word) == len(long):
        return word == long
    short = 0
    while short < len(pattern) and not pattern[short].islower():
        short += 1
    return word == pattern[:short]


def matches(pattern, header):
    """Tell whether a header, in upper case and from the root, has this pattern."""
    words, query = split(header)
    return nodes_match(pattern, words, query)


def find(tree, header):
    """Return the (root, row) of a header in upper case and from the root, or None."""
    words, query = split(header)
    for root, _title, rows in tree:
        if word_matches(root, words[0]):
            for row in rows:
                if nodes_match(row[0], words[1:], query):
                    return root, row
    return None


def split(header):
    """Return the mnemonics of a header, `*` counting as one, and whether it is a query."""
    query = header.endswith("?")
    if query:
        header = header[:-1]
    if header.startswith("*"):
        return ["*", header[1:]], query
    return (header[1:] if header.startswith(":") else header).split(":"), query


def nodes_match(pattern, words, query):
    """Tell whether mnemonics from the root on, and being a query, fit a pattern from the root."""
    if pattern.endswith("?") != query:
        return False
    at = 0
    for node in pattern.rstrip("?").replace("[:", ":[").replace("*", "*:").split(":"):
        if not node:  # what stands before a leading colon
            continue
        if at < len(words) and word_matches(node.strip("[]"), words[at]):
            at += 1
        elif node[0] != "[":
            return False
    return at == len(words)
