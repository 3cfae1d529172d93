"""The pages for people: plain text first, whole without scripts."""
