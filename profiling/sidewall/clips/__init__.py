"""Clips of a match video: in and out times of shots and rallies, and chapters to jump to."""

from sidewall.clips.times import clip_times
from sidewall.clips.webvtt import chapters_text
from sidewall.clips.write import WrittenClips, write_clips

__all__ = ["WrittenClips", "chapters_text", "clip_times", "write_clips"]
