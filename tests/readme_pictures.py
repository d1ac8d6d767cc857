"""Make the pictures of README from the sample job: ``python tests/readme_pictures.py [EVIDENCE]``.

Takes charts of the report as they are, scales them to the width of a page and packs them into few
colours; without an evidence folder the sample is measured first.
"""

from __future__ import annotations

import io
import sys
import tempfile
from pathlib import Path

from PIL import Image

import sigkit

HOUSE = Path(__file__).parents[1]
WIDTH_PX = 760
COLOURS = 48
PICTURES = {
    "readme_sliders": ["ladder-slider"],
    "readme_travel": ["slider-oscillator_2_level"],
    "readme_keyboard": ["keyboard-oscillator_1"],
    "readme_noise": ["noise-output"],
    "readme_envelope": ["envelope-loudness"],
    "readme_glide": ["glide-portamento-50"],
}
"""Names of the pictures in ``notebooks/`` and the charts that each shows, one below the other."""


def make(charts: Path) -> list[Path]:
    made = []
    for name, parts in PICTURES.items():
        images = [Image.open(charts / f"{part}.png").convert("RGB") for part in parts]
        scaled = [i.resize((WIDTH_PX, round(i.height * WIDTH_PX / i.width))) for i in images]
        whole = Image.new("RGB", (WIDTH_PX, sum(i.height for i in scaled)), "white")
        top = 0
        for image in scaled:
            whole.paste(image, (0, top))
            top += image.height
        packed = io.BytesIO()
        whole.quantize(COLOURS, dither=Image.Dither.NONE).save(packed, "PNG", optimize=True)
        path = HOUSE / "notebooks" / f"{name}.png"
        path.write_bytes(packed.getvalue())
        made.append(path)
    return made


def main() -> None:
    if len(sys.argv) > 1:
        charts = Path(sys.argv[1]) / "charts"
        print(*make(charts), sep="\n")
        return
    with tempfile.TemporaryDirectory() as scratch:
        evidence = sigkit.open_job(HOUSE / "sample_audio").measure(progress=False)
        print(*make(evidence.write(Path(scratch) / "evidence") / "charts"), sep="\n")


if __name__ == "__main__":
    main()
