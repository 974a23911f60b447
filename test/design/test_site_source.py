# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Site files from disk."""

import hashlib

from berm_ledger.errors import SiteFileError
from berm_ledger.site_source import load_site, MAX_BYTES, text_digest
from design_kit import EXAMPLES, TEXT
import pytest


@pytest.mark.parametrize('path', EXAMPLES, ids=lambda path: path.stem)
def test_text_and_digest_are_those_of_the_file(path):
    loaded = load_site(path)
    assert loaded.text.encode('utf-8') == path.read_bytes()
    assert loaded.digest == hashlib.sha256(path.read_bytes()).hexdigest()
    assert loaded.site.berms


@pytest.mark.parametrize('text', [TEXT.replace('\n', '\r\n'), '\ufeff' + TEXT,
                                  TEXT.replace('west', 'w\u00e4st')])
def test_bytes_are_kept_as_they_are(tmp_path, text):
    path = tmp_path / 'site.yaml'
    path.write_bytes(text.encode('utf-8'))
    loaded = load_site(str(path))
    assert loaded.text == text
    assert loaded.digest == text_digest(text) == hashlib.sha256(path.read_bytes()).hexdigest()


def test_what_is_no_file(tmp_path):
    with pytest.raises(SiteFileError, match=r'none\.yaml: cannot be read: No such file'):
        load_site(tmp_path / 'none.yaml')
    with pytest.raises(SiteFileError, match='cannot be read: Is a directory'):
        load_site(tmp_path)
    with pytest.raises(SiteFileError, match='cannot be read: embedded null'):
        load_site('a\0b')


@pytest.mark.parametrize(('data', 'match'), [
    (b'', 'the file is empty'),
    (b'format: 1\nframe: \xff\n', 'line 2: is not text in UTF-8'),
    (TEXT.encode('utf-16'), 'zero bytes|is not text in UTF-8'),
    (TEXT.encode('utf-16-le'), 'zero bytes'),
    (b'\x89PNG\r\n\x1a\n', 'line 1: is not text in UTF-8'),
    (b'# ' + b'x' * MAX_BYTES, f'is larger than {MAX_BYTES} bytes'),
    (b'format: 1\n', 'frame .line 1.: is missing'),
])
def test_what_is_no_site(tmp_path, data, match):
    path = tmp_path / 'site.yaml'
    path.write_bytes(data)
    with pytest.raises(SiteFileError, match=match) as caught:
        load_site(path)
    assert caught.value.source == str(path)
    assert '\n' not in str(caught.value)
