"""The page: ``streamlit run app.py``."""

from pathlib import Path

from grainscan.shown.page import show

show(samples=Path(__file__).parent / "sample_images")
