#!/usr/bin/env python3
"""Opens the layers of an assessment in headless QGIS with the styles that
the file carries, checks what QGIS made of them and renders them to PNG.

    QT_QPA_PLATFORM=offscreen python3 render.py city.gpkg OUT_FOLDER [PAVEMENT ...]

Pavement layers, when given, are drawn below in grey. Exit status 1 and a line
for each thing that is wrong.
"""
import os
import sys
import tempfile

from qgis.core import (
    QgsApplication, QgsColorBrewerPalette, QgsCoordinateReferenceSystem, QgsCoordinateTransform, QgsExpressionContext,
    QgsExpressionContextUtils, QgsFillSymbol, QgsMapRendererCustomPainterJob, QgsMapSettings, QgsProject, QgsRectangle,
    QgsRuleBasedRenderer, QgsSingleSymbolRenderer, QgsVectorLayer,
)
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtGui import QColor, QImage, QPainter

DPI = 96
wrong = []


def expect(good, what):
    if not good:
        wrong.append(what)


def rules(layer):
    """Rules that draw something."""
    return [r for r in layer.renderer().rootRule().descendants() if r.symbol() is not None]


def check_rules(layer):
    """No filter is broken, and every record has exactly one colour and at most one ring and size."""
    context = QgsExpressionContext(QgsExpressionContextUtils.globalProjectLayerScopes(layer))
    context.setFields(layer.fields())
    groups = {}
    for rule in rules(layer):
        groups.setdefault(rule.parent().label(), []).append(rule)
        expect(rule.filter() is not None and not rule.filter().hasParserError(),
               f"{layer.name()}, rule {rule.label()}: {rule.filterExpression()}")
        if rule.filter():
            rule.filter().prepare(context)
    for feature in layer.getFeatures():
        context.setFeature(feature)
        for label, of in groups.items():
            met = [r.label() for r in of if r.filter().evaluate(context)]
            least = 0 if label.startswith(("Ring", "Size")) else 1
            if not least <= len(met) <= 1:
                expect(False, f"{layer.name()}, {feature['tree_id']}: meets {met} of {label or 'all'}")
                return


def settings(layers, middle, width_px, height_px, scale):
    """A map of so many pixels round a point, at a scale."""
    s = QgsMapSettings()
    s.setLayers(layers)
    s.setOutputSize(QSize(width_px, height_px))
    s.setOutputDpi(DPI)
    s.setBackgroundColor(QColor("white"))
    s.setDestinationCrs(metric)
    half_w = width_px / DPI * 0.0254 * scale / 2
    half_h = height_px / DPI * 0.0254 * scale / 2
    s.setExtent(QgsRectangle(middle.x() - half_w, middle.y() - half_h, middle.x() + half_w, middle.y() + half_h))
    context = QgsExpressionContext()
    context.appendScope(QgsExpressionContextUtils.globalScope())
    context.appendScope(QgsExpressionContextUtils.mapSettingsScope(s))
    s.setExpressionContext(context)
    return s


def render(s, path, grey=False):
    """Renders and returns the colours that are seen."""
    image = QImage(s.outputSize(), QImage.Format_ARGB32_Premultiplied)
    image.fill(QColor("white"))
    painter = QPainter(image)
    QgsMapRendererCustomPainterJob(s, painter).renderSynchronously()
    painter.end()
    if grey:
        image = image.convertToFormat(QImage.Format_Grayscale8)
    expect(image.save(path), f"{path} was not written")
    image = image.convertToFormat(QImage.Format_RGB32)
    return {QColor(image.pixel(x, y)).name() for x in range(0, image.width(), 2) for y in range(0, image.height(), 2)}


def background(path):
    layer = QgsVectorLayer(path, os.path.basename(path), "ogr")
    expect(layer.isValid(), f"{path} does not open")
    colour = "#c9c9cc" if "building" in path else "#e4e4e6"
    symbol = QgsFillSymbol.createSimple({"color": colour, "outline_color": "#bdbdc2", "outline_width": "0.1"})
    layer.setRenderer(QgsSingleSymbolRenderer(symbol))
    return layer


app = QgsApplication([], False)
app.initQgis()
file, out = sys.argv[1:3]
os.makedirs(out, exist_ok=True)
trees = QgsVectorLayer(f"{file}|layername=trees", "trees", "ogr")
openings = QgsVectorLayer(f"{file}|layername=openings", "openings", "ogr")
worklist = QgsVectorLayer(f"{file}|layername=worklist", "worklist", "ogr")
for layer in (trees, openings, worklist):
    expect(layer.isValid(), f"{layer.name()} does not open")
    expect(isinstance(layer.renderer(), QgsRuleBasedRenderer), f"{layer.name()}: its style was not taken from the file")
if wrong:
    sys.exit("\n".join(wrong))
QgsProject.instance().addMapLayers([trees, openings, worklist])

# The published scheme, as QGIS has it too.
scheme = [c.name() for c in QgsColorBrewerPalette.listSchemeColors("YlOrRd", 4)]
drawn = [r.symbol().color().name() for r in rules(openings)][:4]
expect(drawn == scheme[::-1], f"soil classes are drawn in {drawn}, the scheme is {scheme[::-1]}")
blues = [c.name() for c in QgsColorBrewerPalette.listSchemeColors("PuBu", 3)]
drawn = [r.symbol().color().name() for r in rules(worklist)]
expect(drawn == blues[::-1], f"the worklist is drawn in {drawn}, the scheme is {blues[::-1]}")
for layer in (trees, openings, worklist):
    check_rules(layer)
expect(worklist.labelsEnabled() and worklist.labeling().settings().scaleVisibility, "places in the worklist have no labels, or do not depend on the scale")
expect(trees.labelsEnabled() and trees.labeling().settings().scaleVisibility, "labels do not depend on the scale")
for name in ("tree_id", "soil_pct", "sgr_p", "fail_yr", "do_next"):
    field = trees.fields()[trees.fields().indexFromName(name)]
    expect(field.alias() != "", f"field {name} has no alias")

# A local metric plane, so that a scale is what it says.
box = trees.extent()
to_degrees = QgsCoordinateTransform(trees.crs(), QgsCoordinateReferenceSystem("EPSG:4326"), QgsProject.instance())
lonlat = to_degrees.transform(box.center())
metric = QgsCoordinateReferenceSystem()
metric.createFromProj(f"+proj=tmerc +lat_0={lonlat.y()} +lon_0={lonlat.x()} +ellps=WGS84 +units=m")
to_metres = QgsCoordinateTransform(trees.crs(), metric, QgsProject.instance())
box = to_metres.transformBoundingBox(box)
under = [background(p) for p in sys.argv[3:]]

whole = max(box.width() / (1300 / DPI * 0.0254), box.height() / (900 / DPI * 0.0254)) * 1.08
# The street of the tree that is first in the list.
first = next(trees.getFeatures('"rank" = 1'), None) or next(trees.getFeatures())
street = to_metres.transform(first.geometry().asPoint())
views = {"overview": (box.center(), whole), "far": (box.center(), 5000), "street": (street, 1000)}
for name, (middle, scale) in views.items():
    s = settings([trees, openings] + under, middle, 1300, 900, scale)
    seen = render(s, os.path.join(out, f"{name}.png"))
    missing = [c for c in scheme if c not in seen]
    expect(name == "street" or not missing, f"{name}.png: none of its points has {missing}")
    render(s, os.path.join(out, f"{name}-grey.png"), grey=True)

# The worklist upon them.
for name, scale in (("worklist", whole), ("worklist-street", 1000)):
    s = settings([worklist, trees, openings] + under, box.center() if scale == whole else street, 1300, 900, scale)
    seen = render(s, os.path.join(out, f"{name}.png"))
    missing = [c for c in blues if c not in seen]
    expect(scale != whole or not missing, f"{name}.png: none of its points has {missing}")

# The same from the SLD alone.
styles = {f["f_table_name"]: f["styleSLD"] for f in QgsVectorLayer(f"{file}|layername=layer_styles", "s", "ogr").getFeatures()}
for layer in (trees, openings, worklist):
    with tempfile.NamedTemporaryFile("w", suffix=".sld", encoding="utf-8") as t:
        t.write(styles[layer.name()])
        t.flush()
        message, good = layer.loadSldStyle(t.name)
    expect(good, f"{layer.name()}: SLD is not read: {message}")
    expect(len(rules(layer)) >= 3, f"{layer.name()}: {len(rules(layer))} rules of the SLD are read")
for name in ("overview", "street", "worklist"):
    middle, scale = views["overview" if name == "worklist" else name]
    seen = render(settings(([worklist] if name == "worklist" else []) + [trees, openings] + under, middle, 1300, 900, scale), os.path.join(out, f"{name}-sld.png"))
    missing = [c for c in scheme if c not in seen]
    expect(name == "street" or not missing, f"{name}-sld.png: none of its points has {missing}")

if wrong:
    print("\n".join(wrong))
else:
    print(f"rendered to {out}")
sys.stdout.flush()
os._exit(1 if wrong else 0)  # some versions of QGIS crash as they clear up
