"""From the executed notebook to what readers get: page, section, PDF, figures, data.

markup                       Markdown that anyone may have written, parsed
hypertext, typeset, plain_markdown   the same to safe HTML, to typst, to plain Markdown
svg                          drawings, made harmless
published, beside            the one record that all documents are made from; files beside them
exporters, exporters_plain, exporter_typst   nbconvert exporters over the templates
pdf, sharing, fonts          the PDF; pictures to share; what both write with
render                       everything in its place
"""
