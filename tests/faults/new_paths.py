"""Atheris at one parser of `bad_input`, in a process of its own: ``python new_paths.py PARSER RUNS``.

Our own modules alone are watched for new paths: watching all that is imported takes minutes.
"""

import logging
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).parent)]

import atheris

with atheris.instrument_imports(include=["shared", "station", "dashboard"]):
    from bad_input import SEED, targets


def main() -> None:
    """Drive the parser until so many inputs are tried, or it falls over; ends the process either way."""
    target = targets()[sys.argv[1]]
    logging.disable(logging.CRITICAL)

    def look(data: bytes) -> None:
        target.judge(data)

    with tempfile.TemporaryDirectory(prefix="benchward-corpus-") as corpus:
        for number, example in enumerate(target.examples):
            (Path(corpus) / str(number)).write_bytes(example)
        seed = SEED % 2**31
        atheris.Setup(
            [
                sys.argv[0],
                f"-runs={sys.argv[2]}",
                f"-seed={seed}",
                "-rss_limit_mb=0",
                "-max_len=4096",
                corpus,
            ],
            look,
        )
        atheris.Fuzz()


if __name__ == "__main__":
    main()
