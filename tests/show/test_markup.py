"""Nothing that is not markup becomes markup."""

from html.parser import HTMLParser

from hypothesis import given
from hypothesis import strategies as st

from promtrack.show.markup import EMPTY, Markup, element, joined


class Reader(HTMLParser):
    """Collects the text and attributes that a parser sees."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.tags, self.text = [], ""

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.text += data


def read(markup):
    reader = Reader()
    reader.feed(markup)
    reader.close()
    return reader


printable = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=60)


@given(printable, printable)
def test_any_text_comes_back_as_text(words, title):
    # TWIN  the standard library's own parser
    reader = read(element("p", words, title=title))
    assert reader.tags == [("p", {"title": title})]
    assert reader.text == words


def test_children_are_escaped_and_markup_is_kept():
    assert element("p", "<b>", Markup("<i>x</i>"), " & ") == "<p>&lt;b&gt;<i>x</i> &amp; </p>"
    assert joined(["a<", element("br")]) == "a&lt;<br>"


def test_attributes():
    assert (
        element("td", class_="words", data_value="1", hidden=True, id=None, draggable=False)
        == '<td class="words" data-value="1" hidden></td>'
    )
    assert "img" in EMPTY
    assert element("img", alt='a "b"') == '<img alt="a &quot;b&quot;">'
