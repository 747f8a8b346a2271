"""Proof of a codec by the exchanges that its dialect file shows. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from drivers.codec import Codec, decoded, encoded
from drivers.dialect_lines import Problem
from drivers.dialect_model import DialectFile


def codec_problems(file: DialectFile, codec: Codec) -> Iterator[Problem]:
    """Samples of which the codec makes something else."""
    for n, sample in enumerate(file.codec_sample):
        key = f"codec_sample[{n}]"
        try:
            sent = encoded(codec, sample.message)
            if sent != bytes.fromhex(sample.sent):
                yield Problem(f"{key}.sent", sample.sent, f"the codec encodes {sample.message!r} as {sent.hex(' ')}")
            if sample.reply is not None:
                text = decoded(codec, sample.message, bytes.fromhex(sample.reply))
                if text != sample.means:
                    yield Problem(f"{key}.means", sample.means, f"the codec decodes its reply as {text!r}")
        except ValueError as error:
            yield Problem(key, sample.message, f"{error}: mend the codec, or the sample")
