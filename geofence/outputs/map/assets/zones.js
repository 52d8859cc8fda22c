/* Zones: what the fence was held against, each with its reach around what is drawn. */
(function (geofence) {
  "use strict";

  const { style, segmentDistance, within } = geofence;
  const RIM_PX = 1.3;
  const RIM_FROM_PX = 1; // of reach: nearer to what is drawn than this, its rim is left out
  const TINT = 0.2;
  const APART_PX = 0.4;
  const MARGIN_PX = 20;
  const LABEL_AWAY_PX = 11;
  const LABEL_FROM_PX = 12; // of reach: from here a place alone has its zone's name
  const LABEL_HALF_PX = 160;
  const LABEL_SIDE_PX = 40; // shorter than any name with what it says of its rule
  const BELOW_PX = 24; // so far below the reach, as labels stand above their line

  function inView({ west, east, north, south }, { scale, left, top, width, height }) {
    return east * scale > left && west * scale < left + width && south * scale > top && north * scale < top + height;
  }

  /** A way's points on the canvas, x, y, x, y: without those that cannot be told from the one before; the last stays. */
  function onCanvas({ x, y }, { scale, left, top }) {
    const seen = [];
    let [lastX, lastY] = [-Infinity, -Infinity];
    for (let row = 0; row < x.length; row++) {
      const px = x[row] * scale - left;
      const py = y[row] * scale - top;
      if (Math.abs(px - lastX) < APART_PX && Math.abs(py - lastY) < APART_PX && row < x.length - 1) continue;
      seen.push(px, py);
      lastX = px;
      lastY = py;
    }
    return seen;
  }

  function traceRing(path, way) {
    path.moveTo(way[0], way[1]);
    for (let at = 2; at < way.length; at += 2) path.lineTo(way[at], way[at + 1]);
    path.closePath();
  }

  /** Only what is in view: dashes along kilometres cost as much as they are long on screen. */
  function traceSeen(path, way, frame) {
    const box = geofence.around(frame, MARGIN_PX);
    // A stretch of no length would not be drawn at all.
    const points = way.length === 2 ? [way[0] - 0.01, way[1], ...way] : way;
    let [lastX, lastY] = [NaN, NaN];
    for (let at = 2; at < points.length; at += 2) {
      const seen = geofence.clip(points[at - 2], points[at - 1], points[at], points[at + 1], box);
      if (!seen) continue;
      if (lastX !== seen[0] || lastY !== seen[1]) path.moveTo(seen[0], seen[1]);
      path.lineTo(seen[2], seen[3]);
      lastX = seen[2];
      lastY = seen[3];
    }
  }

  class Zones {
    constructor(plan) {
      this.zones = plan.zones.map((zone) => this.read(zone));
    }

    read(zone) {
      const look = style.ZONES[zone.rule] || style.ZONES.consult;
      const box = { west: Infinity, east: -Infinity, north: Infinity, south: -Infinity };
      const way = (packed) => {
        const [lng, lat] = ["lon_deg", "lat_deg"].map((name) =>
          geofence.unpack(packed[name], packed.count).map((number) => number / 10 ** packed[name].decimals),
        );
        const [x, y] = [new Float64Array(packed.count), new Float64Array(packed.count)];
        for (let row = 0; row < packed.count; row++) {
          [x[row], y[row]] = geofence.project(lng[row], lat[row]);
          [box.west, box.east] = [Math.min(box.west, x[row]), Math.max(box.east, x[row])];
          [box.north, box.south] = [Math.min(box.north, y[row]), Math.max(box.south, y[row])];
        }
        return { area: packed.area, lng, lat, x, y };
      };
      const { row, away_m: away, count } = zone.posts;
      const [rows, apart] = [row, away].map((packed) => geofence.unpack(packed, count));
      const awayM = new Map(Array.from(rows, (post, at) => [post, apart[at] / 1000]));
      return { ...zone, look, outlines: zone.outlines.map(way), reach: zone.reach.map(way), box, awayM };
    }

    /** Zones in view; those of one rule share a tint, so that where they overlap it is no darker. */
    draw(context, frame) {
      const rules = new Map();
      for (const zone of this.zones) {
        if (!inView(zone.box, frame)) continue;
        if (!rules.has(zone.look)) rules.set(zone.look, []);
        rules.get(zone.look).push(zone);
      }
      context.lineJoin = context.lineCap = "round";
      for (const [look, zones] of rules) this.drawRule(context, look, zones, frame);
      context.lineCap = "butt";
      return { zones: [...rules.values()].reduce((sum, zones) => sum + zones.length, 0) };
    }

    /** What is drawn as a line with its rule's dashes, all within its reach tinted, a thin rim where that ends. */
    drawRule(context, look, zones, frame) {
      const [tint, rim, lines] = [new Path2D(), new Path2D(), new Path2D()];
      for (const { outlines, reach, reach_m: reachM } of zones) {
        const apart = reachM * frame.pxPerMetre >= RIM_FROM_PX;
        for (const way of reach.map((each) => onCanvas(each, frame))) {
          traceRing(tint, way);
          if (apart) traceSeen(rim, way, frame);
        }
        for (const way of outlines) traceSeen(lines, onCanvas(way, frame), frame);
      }
      context.globalAlpha = TINT;
      context.fillStyle = look.colour;
      context.fill(tint); // the rings run so that holes stay open
      context.globalAlpha = 1;
      context.strokeStyle = look.text;
      context.lineWidth = RIM_PX;
      context.stroke(rim);
      context.lineWidth = 2;
      context.setLineDash(look.dash);
      context.stroke(lines);
      context.setLineDash([]);
    }

    /** A zone's name along the longest of its sides that is in view; that of a place alone below its reach. */
    label(labels, frame) {
      for (const zone of this.zones) {
        const side = this.longestSide(zone, frame) || this.belowPlace(zone, frame);
        if (side) labels.along(`${zone.name} · ${zone.look.word}`, side, LABEL_AWAY_PX, { fill: zone.look.text });
      }
    }

    longestSide({ outlines }, { scale, left, top, view }) {
      let [best, longest] = [null, 0];
      for (const { x, y } of outlines) {
        for (let row = 1; row < x.length; row++) {
          const [ax, ay, bx, by] = [x[row - 1], y[row - 1], x[row], y[row]];
          // Most sides are too short for any name, and need no more than this look.
          if ((Math.abs(bx - ax) + Math.abs(by - ay)) * scale < Math.max(longest, LABEL_SIDE_PX)) continue;
          const seen = geofence.clip(ax * scale - left, ay * scale - top, bx * scale - left, by * scale - top, view);
          const length = seen ? Math.hypot(seen[2] - seen[0], seen[3] - seen[1]) : 0;
          if (length > longest) [best, longest] = [seen, length];
        }
      }
      return best;
    }

    /** A level stretch at the foot of the reach of a zone that is a place alone; null for others, or out of view. */
    belowPlace({ outlines, reach_m: reachM }, { scale, left, top, view, pxPerMetre }) {
      if (!outlines.length || outlines[0].x.length !== 1 || reachM * pxPerMetre < LABEL_FROM_PX) return null;
      const [px, py] = [outlines[0].x[0] * scale - left, outlines[0].y[0] * scale - top + reachM * pxPerMetre + BELOW_PX];
      if (px < view.west || py < view.north || px > view.east || py > view.south) return null;
      return [px - LABEL_HALF_PX, py, px + LABEL_HALF_PX, py];
    }

    /** The zone at a place of the canvas, the last drawn first. */
    hit(frame, place) {
      for (let row = this.zones.length - 1; row >= 0; row--) {
        const { outlines, reach_m: reachM } = this.zones[row];
        const drawn = outlines.map((outline) => ({ area: outline.area, way: onCanvas(outline, frame) }));
        const reach = Math.max(6, reachM * frame.pxPerMetre);
        const rings = drawn.filter(({ area }) => area).map(({ way }) => way);
        if (within(place.x, place.y, rings) || drawn.some(({ way }) => this.isNear(way, place, reach))) return { part: "zone", row };
      }
      return null;
    }

    isNear(way, place, reach) {
      for (let at = 0; at < way.length; at += 2) {
        const from = Math.max(0, at - 2);
        if (segmentDistance(place.x, place.y, way[from], way[from + 1], way[at], way[at + 1]) <= reach) return true;
      }
      return false;
    }
  }

  Object.assign(geofence, { Zones });
})((window.geofence = window.geofence || {}));
