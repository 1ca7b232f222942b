"""The report's words: verdict, narrative drafts, captions and alternative texts."""
