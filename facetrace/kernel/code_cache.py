"""Where compiled code is kept between runs. The folder is numba's choice; nobody else's files are read."""

import hashlib
from contextlib import suppress
from pathlib import Path
from typing import Any

from numba.core.caching import IndexDataCacheFile

DIGEST_BYTES = 32


class CodeCacheFile(IndexDataCacheFile):  # type: ignore[misc]
    """Compiled code on disk, each in a file that is named after all that decides it and ends with its own digest.

    numba numbers its files and keeps an index: two processes that compile at once can
    give one number to two functions, and the index names the wrong one from then on. A damaged file, a full disk or
    a folder that cannot be written to costs a compilation and nothing else.
    """

    def save(self, key: object, data: object) -> None:
        """Keep *data*, or do without."""
        content = self._dump(data)
        with suppress(OSError), self._open_for_write(self._file_of(key)) as stream:
            stream.write(content + hashlib.sha256(content).digest())

    def load(self, key: object) -> Any:
        """What was kept for *key*; None, compile it, where there is nothing whole."""
        with suppress(OSError):
            kept = Path(self._file_of(key)).read_bytes()
            content, digest = kept[:-DIGEST_BYTES], kept[-DIGEST_BYTES:]
            if hashlib.sha256(content).digest() == digest:
                # numba reads its own form, and no further than that goes
                return self._load_data(self._file_of(key))
        return None

    def _file_of(self, key: object) -> str:
        decides = repr((key, self._source_stamp, self._version))
        name = hashlib.sha256(decides.encode()).hexdigest()[:16]
        return str(self._data_path(self._index_name.replace(".nbi", f".{name}.nbc")))
