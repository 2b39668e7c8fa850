"""Sound files as nobody should write them, made byte by byte: what a header says, and what follows."""

from __future__ import annotations

import io
import struct

import numpy as np
import soundfile

RATE_HZ = 8000
FRAMES = 4000
PCM, FLOAT, ALAW, EXTENSIBLE, NEVER = 1, 3, 6, 0xFFFE, 0x7777


def decaying(channels: int = 1, frames: int = FRAMES) -> np.ndarray:
    """Noise that dies away, 16 bits, shape (frames, channels)."""
    noise = np.random.default_rng(5).standard_normal((frames, channels))
    return (8000 * np.clip(noise, -3, 3) * np.exp(-np.arange(frames) / 400.0)[:, np.newaxis]).astype("<i2")


def wav(
    *, channels: int = 1, rate: int = RATE_HZ, bits: int = 16, form: int = PCM, data: bytes | None = None,
    says: int | None = None, riff: bytes = b"RIFF", align: int | None = None, order: str = "<",
    riff_says: int | None = None,    extra: bytes = b"",
) -> bytes:  # fmt: skip
    """A RIFF file whose header may lie: ``says`` is the size of its data, ``riff_says`` of all."""
    data = decaying(max(min(channels, 2), 1)).astype(f"{order}i2").tobytes() if data is None else data
    align = channels * ((bits + 7) // 8) & 0xFFFF if align is None else align
    head = struct.pack(f"{order}HHIIHH", form, channels, rate, (rate * align) & 0xFFFFFFFF, align, bits) + extra
    size = len(data) if says is None else says
    body = b"WAVEfmt " + struct.pack(f"{order}I", len(head)) + head + b"data" + struct.pack(f"{order}I", size) + data
    return riff + struct.pack(f"{order}I", len(body) & 0xFFFFFFFF if riff_says is None else riff_says) + body


def extensible(bits: int, valid: int, mask: int = 0, guid: bytes | None = None, channels: int = 1) -> bytes:
    """WAVE_FORMAT_EXTENSIBLE, with so many valid bits of those stored."""
    guid = struct.pack("<I", PCM) + bytes.fromhex("00001000800000aa00389b71") if guid is None else guid
    width = bits // 8
    samples = decaying(channels).astype("<i4") << 16
    raw = np.ascontiguousarray(samples).view("u1").reshape(*samples.shape, 4)[..., 4 - width :].tobytes()
    extra = struct.pack("<HHI", 22, valid, mask) + guid
    return wav(bits=bits, form=EXTENSIBLE, channels=channels, data=raw, extra=extra)


def written(kind: str, subtype: str, endian: str = "FILE", samples: np.ndarray | None = None) -> bytes:
    """As libsndfile writes it."""
    file = io.BytesIO()
    sound = decaying() / 32768 if samples is None else samples
    soundfile.write(file, sound, RATE_HZ, subtype, endian, kind)
    return file.getvalue()


def floats(spoilt: float) -> bytes:
    samples = (decaying()[:, 0] / 32768).astype("<f4")
    samples[100:103] = spoilt
    return wav(bits=32, form=FLOAT, data=samples.tobytes())


def rf64(size: int) -> bytes:
    plain = wav(riff=b"RF64", says=0xFFFFFFFF, riff_says=0xFFFFFFFF)
    told = struct.pack("<QQQI", len(plain), size, size // 2, 0)
    return plain[:12] + b"ds64" + struct.pack("<I", len(told)) + told + plain[12:]


def flac_with(change: dict[int, int]) -> bytes:
    data = bytearray(written("FLAC", "PCM_16"))
    for place, value in change.items():
        data[place] = value
    return bytes(data)


READABLE = {
    "plain.wav": wav(),
    "rifx.wav": wav(riff=b"RIFX", order=">"),
    "rf64.wav": rf64(2 * FRAMES),
    "extensible-16.wav": extensible(16, 16),
    "extensible-20-of-24.wav": extensible(24, 20),
    "extensible-32-of-32.wav": extensible(32, 32, mask=4),
    "odd-chunk-before.wav": wav()[:12] + b"junk" + struct.pack("<I", 3) + b"abc\0" + wav()[12:],
    "ima-adpcm.wav": written("WAV", "IMA_ADPCM"),
    "ms-adpcm.wav": written("WAV", "MS_ADPCM"),
    "g721.wav": written("WAV", "G721_32"),
    "gsm.wav": written("WAV", "GSM610"),
    "a-law.wav": written("WAV", "ALAW"),
    "eight-bits.wav": written("WAV", "PCM_U8"),
    "double.wav": written("WAV", "DOUBLE"),
    "aiff.wav": written("AIFF", "PCM_16"),
    "caf.wav": written("CAF", "PCM_16"),
    "w64.wav": written("W64", "PCM_16"),
    "truncated-data.wav": wav()[:5000],
    "says-4-gb.wav": wav(says=0xFFFFFFFE, riff_says=0xFFFFFFFF),
    "says-less.wav": wav(says=6000),
    "rate-10-mhz.wav": wav(rate=10_000_000),
    "rate-4-ghz.wav": wav(rate=0xFFFFFFFF),
    "rate-0.wav": wav(rate=0),
    "twelve-bits.wav": wav(bits=12),
    "nine-bits.wav": wav(bits=9),
    "block-align-0.wav": wav(align=0),
    "block-align-lies.wav": wav(align=400),
    "huge-floats.wav": floats(1e29),
    "denormal-floats.wav": floats(1e-45),
    "flac-8.flac": written("FLAC", "PCM_S8"),
    "ogg.flac": written("OGG", "VORBIS"),
    "flac-wrong-md5.flac": flac_with({30: 0x55, 31: 0xAA}),
    "flac-in-wav.wav": written("FLAC", "PCM_16"),
    "wav-in-flac.flac": wav(),
    "silence.wav": wav(data=bytes(2 * FRAMES)),
    "one-sample.wav": wav(data=b"\x00\x40"),
    "half-a-sample.wav": wav(data=b"\x00\x40\x01"),
    "full-scale.wav": wav(data=b"\xff\x7f" * FRAMES),
    "channels-3.wav": wav(channels=3, data=decaying(3).tobytes()),
    "channels-1024.wav": wav(channels=1024, data=decaying(1024, 500).tobytes()),
}
"""What may be read, or refused where a version of libsndfile does not know it."""

REFUSED = {
    "empty.wav": b"",
    "empty.flac": b"",
    "zeros.wav": bytes(1000),
    "text.wav": b"This was to be a recording.\n",
    "only-riff.wav": b"RIFF",
    "header-cut.wav": wav()[:30],
    "no-data.wav": wav()[:36],
    "no-samples.wav": wav(data=b""),
    "no-fmt.wav": b"RIFF" + struct.pack("<I", 2000) + b"WAVEdata" + struct.pack("<I", 1000) + bytes(1000),
    "channels-0.wav": wav(channels=0),
    "channels-65535.wav": wav(channels=65535),
    "channels-65535-full.wav": wav(channels=65535, data=bytes(2 * 65535 * 4)),
    "rate-1-hz.wav": wav(rate=1),
    "bits-0.wav": wav(bits=0),
    "bits-65535.wav": wav(bits=65535),
    "bits-64.wav": wav(bits=64),
    "float-16.wav": wav(bits=16, form=FLOAT),
    "unknown-codec.wav": wav(form=NEVER),
    "extensible-unknown-guid.wav": extensible(16, 16, guid=bytes(range(16))),
    "nan.wav": floats(float("nan")),
    "monstrous-floats.wav": floats(1e38),
    "inf.wav": floats(float("inf")),
    "minus-inf.wav": floats(float("-inf")),
    "flac-header-only.flac": written("FLAC", "PCM_16")[:42],
    "flac-garbage.flac": b"fLaC" + bytes(range(256)) * 8,
    "mp3.wav": b"ID3\x03\x00\x00\x00\x00\x00\x00" + b"\xff\xfb\x90\x00" + bytes(4000),
    "zip.wav": b"PK\x03\x04" + bytes(500),
    "elf.flac": b"\x7fELF" + bytes(500),
}
"""What holds no sound that can be judged."""
