"""`python -m probe.manual` writes the generated pages anew, and removes those of rules that are
no more."""

from probe.manual.generate import FOLDER, files

made = files()
for path in (FOLDER / "rules").glob("*.md"):
    if path not in made:
        path.unlink()
for path, text in made.items():
    path.write_text(text, "utf-8", newline="\n")
