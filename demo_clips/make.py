"""Makes every audio file of the demo venue: `python demo_clips/make.py` (see NOTE.md).

Speech is spoken by espeak-ng (needed here, not to run the demo), chimes and music are composed in `music.py`.
Writes beside itself; nothing is fetched.
"""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path

import music
import numpy as np
import soundfile
from synth import RATE, Audio

HERE = Path(__file__).resolve().parent

# speaker: (espeak-ng voice, words a minute, pitch 0 to 99)
VOICES = {
    "host": ("en-gb+f2", 150, 52),
    "evening host": ("en-gb-x-rp+f4", 150, 45),
    "doors": ("en-gb+m3", 150, 45),
    "terrace keeper": ("en-gb-scotland+f3", 150, 50),
    "lagoon keeper": ("en-gb-x-gbclan+f1", 150, 55),
    "hatchery keeper": ("en-us+f3", 150, 50),
    "theatre": ("en-gb-x-rp+m1", 150, 50),
    "café": ("en-029+f2", 150, 50),
    "café by night": ("en-us+f4", 150, 50),
    "coaches": ("en-gb-x-gbcwmd+m1", 145, 50),
    "staff": ("en-us+m2", 150, 48),
}

# file: (speaker, text)
SPEECH = {
    "welcome": (
        "host",
        (
            "Good day, and welcome to the Quillfin Aquarium. The tide pools are open, and the water is fine. "
            "Please keep your ticket with you."
        ),
    ),
    "evening-welcome": (
        "evening host",
        (
            "Good evening, and welcome to Quillfin after dark. The galleries are dim tonight, so please mind "
            "your step."
        ),
    ),
    "closing-30": (
        "doors",
        "The aquarium closes in thirty minutes. The shop and the cloakroom stay open until the doors close.",
    ),
    "closing-15": (
        "doors",
        "The aquarium closes in fifteen minutes. Please begin to make your way towards the ticket hall.",
    ),
    "closing-5": ("doors", "The aquarium closes in five minutes. Please come to the ticket hall now."),
    "closed": ("doors", "The aquarium is now closed. Thank you for your visit, and safe journey home."),
    "seals": (
        "terrace keeper",
        "It is nearly time to feed the seals. Join the keepers on the seal terrace in ten minutes.",
    ),
    "rays": ("lagoon keeper", "The rays are hungry. Their feeding begins in ten minutes, at the lagoon."),
    "nursery": (
        "hatchery keeper",
        "The hatchery keeper will open the nursery tanks in five minutes. Small hands are welcome.",
    ),
    "show": (
        "theatre",
        "Reef by Night begins in the theatre in ten minutes. Doors are open now, and seats are not numbered.",
    ),
    "hands-off": ("lagoon keeper", "Please keep your hands off the glass. To a fish, every tap is thunder."),
    "cafe-orders": ("café", "Last orders at the Barnacle Café, please. The kitchen closes in twenty minutes."),
    "cafe-closing": ("café", "The Barnacle Café is about to close. Please bring your trays to the counter."),
    "cafe-promo": (
        "café by night",
        "The Barnacle Café is open late tonight. The soup is warm, and so is the bread.",
    ),
    "members": (
        "evening host",
        "Members, your evening tour starts in the ticket hall in a quarter of an hour.",
    ),
    "coach": ("coaches", "Attention please. Coach number,"),
    "number-2": ("coaches", "two,"),
    "number-4": ("coaches", "four,"),
    "number-7": ("coaches", "seven,"),
    "coach-leaves": ("coaches", "leaves from the coach bay in fifteen minutes."),
    "lost-child": (
        "host",
        (
            "A child is waiting for their family at the ticket hall. If you are missing a child, please come "
            "to the ticket hall, or speak to anyone in a blue jacket."
        ),
    ),
    "duty-manager": ("staff", "Duty manager to the ticket hall, please. Duty manager to the ticket hall."),
    "rain": (
        "terrace keeper",
        "It has begun to rain. Umbrellas may be borrowed at the door of the seal terrace.",
    ),
    "briefing": ("staff", "Morning briefing in the staff corridor, in five minutes."),
}

CHIMES = {
    "two-tone": lambda: music.chime(("e5", "c5"), every_s=0.55, last_s=1.3),
    "three-tone": lambda: music.chime(("c5", "f5", "a5"), every_s=0.4, last_s=1.4),
    "gong": music.gong,
}

TRACKS = {
    "house/1-slow-tide": music.slow_tide,
    "house/2-lantern-drift": music.lantern_drift,
    "cafe/1-low-water-tea": music.low_water_tea,
    "cafe/2-window-seat": music.window_seat,
}


def speak(voice: str, words_a_minute: int, pitch: int, text: str) -> tuple[Audio, int]:
    """Speech, mono: silence at the ends cut to 60 ms, its highest sample at -3 dBFS."""
    with tempfile.TemporaryDirectory() as folder:
        spoken = Path(folder) / "spoken.wav"
        command = ["espeak-ng", "-v", voice, "-s", str(words_a_minute), "-p", str(pitch), "-w", str(spoken), text]
        subprocess.run(command, check=True)
        samples, rate = soundfile.read(spoken, dtype="float64")
    heard = np.flatnonzero(np.abs(samples) > 10 ** (-50 / 20))
    edge = round(0.06 * rate)
    samples = samples[max(0, heard[0] - edge) : heard[-1] + edge]
    fade = round(0.004 * rate)
    ramp = np.linspace(0.0, 1.0, fade)
    samples[:fade] *= ramp
    samples[-fade:] *= ramp[::-1]
    return samples * (10 ** (-3 / 20) / np.max(np.abs(samples))), rate


def main() -> None:
    for name, (speaker, text) in SPEECH.items():
        samples, rate = speak(*VOICES[speaker], text)
        soundfile.write(HERE / f"{name}.flac", samples, rate, subtype="PCM_16")
    for name, make_chime in CHIMES.items():
        soundfile.write(HERE / f"{name}.flac", make_chime(), RATE, subtype="PCM_16")
    for name, make_track in TRACKS.items():
        path = HERE / "music" / f"{name}.ogg"
        path.parent.mkdir(parents=True, exist_ok=True)
        track = make_track()
        with soundfile.SoundFile(
            path, "w", RATE, 2, format="OGG", subtype="VORBIS", compression_level=0.55
        ) as file:
            for start in range(0, len(track), RATE):  # the Vorbis encoder overflows its stack on one large write
                file.write(track[start : start + RATE])
    total = sum(f.stat().st_size for f in HERE.rglob("*") if f.is_file())
    print(f"{len(SPEECH)} spoken clips, {len(CHIMES)} chimes, {len(TRACKS)} tracks; folder {total / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
