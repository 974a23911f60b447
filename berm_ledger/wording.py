# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""How counts are put in words, for all that people read."""


def counted(count: int, noun: str, plural: str = '') -> str:
    """
    Return a number of things in words.

    Parameters
    ----------
    count : int
        How many.
    noun : str
        One of them.
    plural : str
        Several of them; left out, the noun with an s.

    Returns
    -------
    str
        Number and noun.

    Examples
    --------
    >>> counted(1, 'load'), counted(0, 'load'), counted(2, 'entry', 'entries')
    ('1 load', '0 loads', '2 entries')

    """
    return f'{count} {noun if count == 1 else plural or noun + "s"}'
