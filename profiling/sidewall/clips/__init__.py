"""Clips of a match video: in and out times of shots and rallies, and chapters to jump to."""

from sidewall.clips.clips import WrittenClips as WrittenClips
from sidewall.clips.clips import chapters_text as chapters_text
from sidewall.clips.clips import clip_times as clip_times
from sidewall.clips.clips import write_clips as write_clips
