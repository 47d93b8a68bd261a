"""The works a draft may cite: only those of the steps that ran are written.

Bibliographic data from memory unless a module of this package quotes them too; check them before you
hand in.
"""

from __future__ import annotations

import re

import pandas as pd

WORKS: dict[str, tuple[str, str, dict[str, str]]] = {
    "baluev2008": ("Baluev 2008", "article", {
        "author": "Baluev, Roman V.", "title": "Assessing the statistical significance of periodogram peaks",
        "journal": "Monthly Notices of the Royal Astronomical Society", "volume": "385",
        "pages": "1279--1285", "year": "2008"}),
    "brown1996": ("Brown & Vaughn 1996", "article", {
        "author": "Brown, Judith C. and Vaughn, Kathryn V.",
        "title": "Pitch center of stringed instrument vibrato tones",
        "journal": "Journal of the Acoustical Society of America", "volume": "100", "number": "3",
        "pages": "1728--1735", "year": "1996"}),
    "fox1992": ("Fox & Monette 1992", "article", {
        "author": "Fox, John and Monette, Georges", "title": "Generalized collinearity diagnostics",
        "journal": "Journal of the American Statistical Association", "volume": "87", "number": "417",
        "pages": "178--183", "year": "1992"}),
    "harris2020": ("Harris et al. 2020", "article", {
        "author": "Harris, Charles R. and others", "title": "Array programming with {NumPy}",
        "journal": "Nature", "volume": "585", "pages": "357--362", "year": "2020"}),
    "holm1979": ("Holm 1979", "article", {
        "author": "Holm, Sture", "title": "A simple sequentially rejective multiple test procedure",
        "journal": "Scandinavian Journal of Statistics", "volume": "6", "number": "2", "pages": "65--70",
        "year": "1979"}),
    "laird1982": ("Laird & Ware 1982", "article", {
        "author": "Laird, Nan M. and Ware, James H.", "title": "Random-effects models for longitudinal data",
        "journal": "Biometrics", "volume": "38", "number": "4", "pages": "963--974", "year": "1982"}),
    "nakatani2010": ("Nakatani et al. 2010", "article", {
        "author": "Nakatani, Tomohiro and Yoshioka, Takuya and Kinoshita, Keisuke and Miyoshi, Masato and "
                  "Juang, Biing-Hwang",
        "title": "Speech dereverberation based on variance-normalized delayed linear prediction",
        "journal": "IEEE Transactions on Audio, Speech, and Language Processing", "volume": "18",
        "number": "7", "pages": "1717--1731", "year": "2010"}),
    "rife1974": ("Rife & Boorstyn 1974", "article", {
        "author": "Rife, David C. and Boorstyn, Robert R.",
        "title": "Single tone parameter estimation from discrete-time observations",
        "journal": "IEEE Transactions on Information Theory", "volume": "20", "number": "5",
        "pages": "591--598", "year": "1974"}),
    "satterthwaite1946": ("Satterthwaite 1946", "article", {
        "author": "Satterthwaite, Franklin E.",
        "title": "An approximate distribution of estimates of variance components",
        "journal": "Biometrics Bulletin", "volume": "2", "number": "6", "pages": "110--114", "year": "1946"}),
    "schuirmann1987": ("Schuirmann 1987", "article", {
        "author": "Schuirmann, Donald J.",
        "title": "A comparison of the two one-sided tests procedure and the power approach for assessing the "
                 "equivalence of average bioavailability",
        "journal": "Journal of Pharmacokinetics and Biopharmaceutics", "volume": "15", "number": "6",
        "pages": "657--680", "year": "1987"}),
    "virtanen2020": ("Virtanen et al. 2020", "article", {
        "author": "Virtanen, Pauli and others",
        "title": "{SciPy} 1.0: fundamental algorithms for scientific computing in {Python}",
        "journal": "Nature Methods", "volume": "17", "pages": "261--272", "year": "2020"}),
}  # fmt: skip
"""Key to label, BibTeX type, and fields."""


def references_table() -> pd.DataFrame:
    """Return ``key, label, entry``: all works, as they are cited and as they are listed."""
    return pd.DataFrame(
        [{"key": key, "label": label, "entry": listed(key)} for key, (label, _, _) in WORKS.items()]
    )


def listed(key: str) -> str:
    """Return a work as a list of references shows it."""
    fields = {name: re.sub(r"[{}]", "", text) for name, text in WORKS[key][2].items()}
    authors = fields["author"].replace(" and others", " et al.").replace(" and ", "; ")
    number = f"({fields['number']})" if "number" in fields else ""
    place = f"{fields['journal']} {fields['volume']}{number}"
    return f"{authors} ({fields['year']}). {fields['title']}. {place}, {fields['pages'].replace('--', '–')}."


def bibtex(keys: list[str]) -> str:
    """Return the BibTeX entries of `keys`."""
    entries = []
    for key in keys:
        _, kind, fields = WORKS[key]
        lines = ",\n".join(f"  {name} = {{{text}}}" for name, text in fields.items())
        entries.append(f"@{kind}{{{key},\n{lines}\n}}\n")
    return "\n".join(entries)
