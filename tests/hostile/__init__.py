"""Hostile and broken input: files no phone should hold, and what every command does with them.

``pictures.py``, ``texts.py`` and ``archives.py`` make the files, ``folders.py`` the folders that
are hard to look through, ``cases.py`` the commands run on them, ``run.py`` runs one and says what
it cost. ``python -m tests.hostile`` runs all of it through the real command line.
"""
