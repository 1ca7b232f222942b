"""Files that stand beside a text which refers to them: figures, and pictures pasted into cells."""

from reportlib.publish.published import Figure, Prose, Publication
from reportlib.shown import Picture


def figure_file(picture: Picture) -> str:
    """Return where a figure's pixels lie, from the folder of the texts."""
    return f"figures/{picture.name}.png"


def pasted_files(publication: Publication) -> tuple[dict[str, str], ...]:
    """Return for each block the file of each attachment by its name, numbered through."""
    found: list[dict[str, str]] = []
    count = 0
    for block in publication.blocks:
        files = {}
        if isinstance(block, Prose):
            for name, (mime, _) in block.attachments.items():
                count += 1
                files[name] = f"figures/pasted-{count}.{mime.removeprefix('image/')}"
        found.append(files)
    return tuple(found)


def files_beside(publication: Publication) -> dict[str, bytes]:
    """Return every such file by name: figures as vector, pixels and for phones, and what
    was pasted.
    """
    contents: dict[str, bytes] = {}
    for block, pasted in zip(publication.blocks, pasted_files(publication), strict=True):
        match block:
            case Figure(picture=picture):
                contents[f"figures/{picture.name}.svg"] = picture.svg.encode()
                contents[figure_file(picture)] = picture.png
                if picture.phone_svg:
                    contents[f"figures/{picture.name}-phone.svg"] = picture.phone_svg.encode()
            case Prose():
                contents |= {file: block.attachments[name][1] for name, file in pasted.items()}
    return contents
