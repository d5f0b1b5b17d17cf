"""Which words fall on which settings: tasters' own words, counted, without any model."""

import re
import unicodedata
from collections.abc import Iterable

import pandas as pd

from trials.errors import FitError

# Words that tell nothing of a bake (our own short list)
_EMPTY = frozenset(
    re.findall(
        r"\w+",
        """a an and are as at be been but by did do does for from had has have he her his i in is it
        its just me more most much my nor of on one or our own piece pieces quite rather really
        she so some than that the their them then there these they this those to too us very was
        we were which with would you your bit little taste tastes tasted""",
    )
)
_NEGATIONS = ("not", "no", "never", "hardly", "without")


def word_table(
    table: pd.DataFrame,
    factor: str,
    *,
    words_in: Iterable[str] = ("note",),
    least: int = 2,
) -> pd.DataFrame:
    """Count in how many tastings each word was used, at each setting of a factor.

    Parameters
    ----------
    table : DataFrame
        Tidy scores.
    factor : str
        The column of settings.
    words_in : iterable of str
        The columns of words: notes, free words, ticked words.
    least : int
        Words in fewer tastings are left out.

    Returns
    -------
    DataFrame
        Columns word, one per setting (tastings that used it), and all; the most used first. Its
        ``attrs["tastings"]`` tells how many tastings with any word there are at each setting.
        "Not crisp" is counted as a word of its own. Counts describe; they test nothing.

    Raises
    ------
    FitError
        When a column is missing.

    Examples
    --------
    >>> said = pd.DataFrame({"fat": ["lard", "lard", "oil"],
    ...     "note": ["Crisp, nutty!", "not crisp", "crisp"]})
    >>> word_table(said, "fat", least=1).values.tolist()
    [['crisp', 1, 1, 2], ['not crisp', 1, 0, 1], ['nutty', 1, 0, 1]]
    """
    words_in = tuple(words_in)
    for name in (factor, *words_in):
        if name not in table:
            raise FitError(f'the scores have no column "{name}".')
    rows, with_words = [], []
    for setting, *texts in table[[factor, *words_in]].itertuples(index=False, name=None):
        said = " ; ".join(text for text in texts if isinstance(text, str))
        found = words_of(said)
        rows += [(setting, word) for word in found]
        with_words += [setting] if found else []
    settings = sorted(table[factor].dropna().unique())
    used = pd.DataFrame(rows, columns=["setting", "word"])
    counts = pd.crosstab(used["word"], used["setting"]).reindex(columns=settings, fill_value=0)
    counts["all"] = counts.sum(axis=1)
    counts = counts[counts["all"] >= least].reset_index()
    counts = counts.sort_values(["all", "word"], ascending=[False, True], ignore_index=True)
    counts.columns.name = None
    counts.attrs["tastings"] = {setting: with_words.count(setting) for setting in settings}
    return counts


def words_of(text: str) -> set[str]:
    """Return the telling words of a text in lower case, each once, a denied one with its "not".

    Examples
    --------
    >>> sorted(words_of("Very crisp, but not at all greasy. Crisp!"))
    ['crisp', 'not greasy']
    """
    found: set[str] = set()
    for clause in re.split(r"[.,;:!?\n]", unicodedata.normalize("NFC", text).lower()):
        denied = False
        for word in re.findall(r"[^\W\d_]+(?:[-'’][^\W\d_]+)*", clause):
            if word in _NEGATIONS:
                denied = True
            elif word == "all" and denied:
                continue
            elif word not in _EMPTY and len(word) > 1:
                found.add(f"not {word}" if denied else word)
                denied = False
    return found
