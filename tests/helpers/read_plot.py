"""What a plot shows: its picture and the words in it."""

import io


def png(figure):
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=60)
    return stream.getvalue()


def texts(figure):
    return [text.get_text() for panel in figure.axes for text in panel.texts]
