"""Floor 4, what leaves: chapters, clips, stills, tables, the case page and its folder."""
