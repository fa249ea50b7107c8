"""Tests of grainscan; the renderer with known truth is among them."""
