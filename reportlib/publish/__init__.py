"""From the executed notebook to what readers get: page, section, PDF, figures, data.

markup, hypertext, typeset   Markdown, to safe HTML, to typst
svg                          drawings, made harmless
published                    the one record that page, section and PDF are made from
exporters, exporter_typst    nbconvert exporters over the templates
pdf, render                  the bytes; everything in its place
"""
