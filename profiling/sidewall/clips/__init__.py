"""Clips of a match video: in and out times of shots and rallies, and chapters to jump to."""

from sidewall.clips.clips import WrittenClips, chapters_text, clip_times, write_clips

__all__ = ["WrittenClips", "chapters_text", "clip_times", "write_clips"]
