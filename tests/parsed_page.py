"""A page taken apart: nesting checked, tags with their attributes, and the text as read."""

from __future__ import annotations

from html.parser import HTMLParser

VOID = {"meta", "img", "br", "link", "hr", "input", "source"}


class Tree(HTMLParser):
    """Checks nesting and collects tags, their attributes and the text."""

    def __init__(self):
        super().__init__()
        self.open, self.tags, self.words = [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open, f"</{tag}> without start"
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())


def parsed(text):
    tree = Tree()
    tree.feed(text)
    assert tree.open == []
    return tree
