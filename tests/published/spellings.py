#!/usr/bin/env python3
"""Spellings that are one after full case folding (Unicode Standard, section 3.13, CaseFolding.txt), by Python's
str.casefold. Table: spellings.tsv, of daemon/engine/src/intake/spoken.rs.

    python3 tests/published/spellings.py [--write]
"""
import unicodedata

from tables import HERE, settle

PAIRS = [
    ("Mill", "mILL"),
    ("straße", "STRASSE"),
    ("GROẞ", "gross"),
    ("Öfen", "öFEN"),
    ("ΛΑΣΕΡ ΚΟΠΗΣ", "λασερ κοπης"),
    ("\ufb01lter", "FILTER"),
    ("\u212ailn", "kiln"),
    ("mill", "mills"),
    ("öfen", "ofen"),
]


def main():
    rows = [f"{one}\t{other}\t{'one' if one.casefold() == other.casefold() else 'two'}" for one, other in PAIRS]
    settle(HERE / "spellings.tsv", f"Unicode {unicodedata.unidata_version}", ["spelling\tother\twords", *rows])


main()
