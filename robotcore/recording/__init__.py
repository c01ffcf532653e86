"""Recordings: one run in one SQLite file, written so that it survives a power cut and read as data from a stranger.

Where to look: `schema` (what lies in the file), `writer` (`Recorder`), `reader` (`open_recording`), `summary`
(`list_recordings`, `describe`), `export` (CSV, Parquet) and `compact` (small enough to commit). This file imports
none of them, so that the robot loads the writer alone.
"""
