"""Floor 0, the nouns: time, spans, vocabulary, annotation, recording, timing, problems."""
