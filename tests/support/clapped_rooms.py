"""Claps in rooms whose reverberation time is known."""

import numpy as np

RATE = 16_000


def impulse_response(rng, reverberation_s, rate=RATE):
    """White noise that falls by 60 dB in the given time: ln(1000) = 6.9078 [derived]."""
    time = np.arange(round(1.4 * reverberation_s * rate)) / rate
    return rng.normal(size=len(time)) * np.exp(-6.9078 * time / reverberation_s)


def claps(rng, responses, *, noise=3e-5, gap_s=2.5, rate=RATE, lead_s=1.2):
    sound = noise * rng.normal(size=round((lead_s + gap_s * len(responses)) * rate))
    for number, response in enumerate(responses):
        start = round((lead_s + number * gap_s) * rate)
        stop = min(start + len(response), len(sound))
        sound[start:stop] += 0.15 * response[: stop - start]
    return sound


def write(path, sound, rate=RATE):
    import soundfile

    soundfile.write(path, sound, rate, subtype="PCM_24")
    return str(path)
