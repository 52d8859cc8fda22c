/* Zones: what the fence was held against, each with its reach around what is drawn, and how far things stand from it. */
(function (geofence) {
  "use strict";

  const { style, segmentDistance } = geofence;
  const RIM_PX = 1.3;
  const LEAST_REACH_PX = 2; // narrower ones are no more than their line
  const TINT = 0.2;
  const A = 6378137;
  const E2 = (1 / 298.257223563) * (2 - 1 / 298.257223563);
  const rad = (deg) => (deg * Math.PI) / 180;

  /** Metres east and north of a place {lat, lng} per degree, on the ground. */
  function metresPerDegree({ lat }, scale) {
    const w2 = 1 - E2 * Math.sin(rad(lat)) ** 2;
    const east = (A / Math.sqrt(w2)) * Math.cos(rad(lat));
    const north = (A * (1 - E2)) / (w2 * Math.sqrt(w2));
    return [rad(1) * east * scale, rad(1) * north * scale];
  }

  /** Whether a point is within rings (each an array of [x, y]), by how often a ray leaves them. */
  function within(px, py, rings) {
    let inside = false;
    for (const ring of rings) {
      for (let row = 0, last = ring.length - 1; row < ring.length; last = row++) {
        const [[ax, ay], [bx, by]] = [ring[last], ring[row]];
        if (ay > py !== by > py && px < ((bx - ax) * (py - ay)) / (by - ay) + ax) inside = !inside;
      }
    }
    return inside;
  }

  function tint(context, look, areas) {
    context.globalAlpha = TINT;
    context.fillStyle = look.colour;
    context.fill(areas, "evenodd");
    context.globalAlpha = 1;
  }

  const cross = (ax, ay, bx, by) => ax * by - ay * bx;

  /** Distance between the stretch a-b and the stretch c-d; 0 where they cross. */
  function stretchDistance([ax, ay], [bx, by], [cx, cy], [dx, dy]) {
    const [one, other] = [cross(bx - ax, by - ay, cx - ax, cy - ay), cross(bx - ax, by - ay, dx - ax, dy - ay)];
    const [third, fourth] = [cross(dx - cx, dy - cy, ax - cx, ay - cy), cross(dx - cx, dy - cy, bx - cx, by - cy)];
    if (one * other < 0 && third * fourth < 0) return 0;
    return Math.min(
      segmentDistance(ax, ay, cx, cy, dx, dy), segmentDistance(bx, by, cx, cy, dx, dy),
      segmentDistance(cx, cy, ax, ay, bx, by), segmentDistance(dx, dy, ax, ay, bx, by),
    );
  }

  class Zones {
    constructor(plan) {
      this.plan = plan;
      this.earth = new geofence.Earth(plan.ground.height_m);
      this.zones = plan.zones.map((zone) => this.read(zone));
      this.scratch = document.createElement("canvas");
    }

    read(zone) {
      const look = style.ZONES[zone.rule] || style.ZONES.consult;
      const box = { west: Infinity, east: -Infinity, north: Infinity, south: -Infinity };
      const outlines = zone.outlines.map((outline) => {
        const [lng, lat] = ["lon_deg", "lat_deg"].map((name) =>
          geofence.unpack(outline[name], outline.count).map((number) => number / 10 ** outline[name].decimals),
        );
        const points = Array.from(lng, (deg, row) => geofence.project(deg, lat[row]));
        for (const [x, y] of points) {
          [box.west, box.east] = [Math.min(box.west, x), Math.max(box.east, x)];
          [box.north, box.south] = [Math.min(box.north, y), Math.max(box.south, y)];
        }
        return { area: outline.area, lng, lat, points };
      });
      return { ...zone, look, outlines, box };
    }

    /** Zones in view; those of one rule share a tint, so that where they overlap it is no darker. */
    draw(context, frame, ratio) {
      const rules = new Map();
      for (const zone of this.zones) {
        const reachPx = zone.reach_m * frame.pxPerMetre;
        const box = this.boxOf(zone, frame, reachPx + RIM_PX);
        if (!box) continue;
        if (!rules.has(zone.look)) rules.set(zone.look, []);
        rules.get(zone.look).push({ zone, reachPx, box, ...this.paths(zone, frame, reachPx + 20) });
      }
      for (const [look, drawn] of rules) {
        if (drawn.some(({ reachPx }) => reachPx > LEAST_REACH_PX)) this.drawReach(context, look, drawn, frame, ratio);
        else drawn.forEach(({ areas }) => tint(context, look, areas));
        context.strokeStyle = look.text;
        context.lineWidth = 2;
        context.lineJoin = context.lineCap = "round";
        context.setLineDash(look.dash);
        for (const { lines } of drawn) context.stroke(lines);
        context.setLineDash([]);
        context.lineCap = "butt";
      }
      return [...rules.values()].reduce((sum, drawn) => sum + drawn.length, 0);
    }

    /** The part of the canvas that a zone takes with what is round it: [left, top, right, bottom], or null. */
    boxOf({ box }, frame, round) {
      const [west, east] = [box.west, box.east].map((x) => x * frame.scale - frame.left);
      const [north, south] = [box.north, box.south].map((y) => y * frame.scale - frame.top);
      const [left, top] = [west, north].map((edge) => Math.max(0, Math.floor(edge - round)));
      const [right, bottom] = [Math.min(frame.width, Math.ceil(east + round)), Math.min(frame.height, Math.ceil(south + round))];
      return right > left && bottom > top ? [left, top, right, bottom] : null;
    }

    /** A zone's lines and edges, as far as they are in view or near it, and its areas. */
    paths(zone, frame, margin) {
      const [lines, areas] = [new Path2D(), new Path2D()];
      for (const { area, points } of zone.outlines) {
        const at = points.map(([x, y]) => [x * frame.scale - frame.left, y * frame.scale - frame.top]);
        let last = null;
        at.forEach((point, row) => {
          // A stretch of no length would not be drawn at all.
          const from = at.length === 1 ? [point[0] - 0.01, point[1]] : at[Math.max(0, row - 1)];
          if (area) areas[row ? "lineTo" : "moveTo"](...point);
          const seen = geofence.clip(...from, ...point, frame.width, frame.height, margin);
          if (!seen) return;
          if (!last || last[0] !== seen[0] || last[1] !== seen[1]) lines.moveTo(seen[0], seen[1]);
          lines.lineTo(seen[2], seen[3]);
          last = [seen[2], seen[3]];
        });
      }
      return { lines, areas };
    }

    /** The reach round what is drawn as a tint with a rim: a wide stroke covers just what lies within reach. */
    drawReach(context, look, drawn, frame, ratio) {
      const layer = this.scratch;
      const [width, height] = [Math.ceil(frame.width * ratio), Math.ceil(frame.height * ratio)];
      if (layer.width !== width || layer.height !== height) [layer.width, layer.height] = [width, height];
      const paint = layer.getContext("2d");
      const box = [0, 1, 2, 3].map((side) => Math[side < 2 ? "min" : "max"](...drawn.map((one) => one.box[side])));
      const [left, top, across, down] = [box[0], box[1], box[2] - box[0], box[3] - box[1]];
      const spread = (less) => {
        for (const { areas, lines, reachPx } of drawn) {
          paint.fill(areas, "evenodd");
          paint.lineWidth = 2 * (reachPx - less);
          if (reachPx > less) paint.stroke(lines);
        }
      };
      const stamp = (alpha) => {
        context.globalAlpha = alpha;
        context.drawImage(layer, left * ratio, top * ratio, across * ratio, down * ratio, left, top, across, down);
        context.globalAlpha = 1;
      };
      paint.setTransform(ratio, 0, 0, ratio, 0, 0);
      paint.globalCompositeOperation = "source-over";
      paint.clearRect(left, top, across, down);
      paint.lineJoin = paint.lineCap = "round";
      paint.fillStyle = paint.strokeStyle = look.colour;
      spread(0);
      stamp(TINT);
      paint.globalCompositeOperation = "destination-out";
      spread(RIM_PX);
      paint.globalCompositeOperation = "source-in";
      paint.fillStyle = look.text;
      paint.fillRect(left, top, across, down);
      stamp(1);
    }

    /** A zone's name along the longest of its sides that is in view. */
    label(frame, write) {
      for (const zone of this.zones) {
        let [best, longest] = [null, 0];
        for (const { points } of zone.outlines) {
          for (let row = 1; row < points.length; row++) {
            const ends = [points[row - 1], points[row]].flatMap(([x, y]) => [x * frame.scale - frame.left, y * frame.scale - frame.top]);
            const seen = geofence.clip(...ends, frame.width, frame.height);
            const length = seen ? Math.hypot(seen[2] - seen[0], seen[3] - seen[1]) : 0;
            if (length > longest) [best, longest] = [seen, length];
          }
        }
        if (best) write(`${zone.name} · ${zone.look.word}`, ...best, 11, { fill: zone.look.text });
      }
    }

    /** The zone at a place of the canvas, the last drawn first; -1 for none. */
    hit(frame, place) {
      const at = ([x, y]) => [x * frame.scale - frame.left, y * frame.scale - frame.top];
      for (let row = this.zones.length - 1; row >= 0; row--) {
        const { outlines, reach_m: reachM } = this.zones[row];
        const drawn = outlines.map(({ area, points }) => ({ area, way: points.map(at) }));
        const reach = Math.max(6, reachM * frame.pxPerMetre);
        const near = ({ way }) => way.some((point, next) => {
          const from = way[Math.max(0, next - 1)];
          return segmentDistance(place.x, place.y, ...from, ...point) <= reach;
        });
        if (within(place.x, place.y, drawn.filter(({ area }) => area).map(({ way }) => way)) || drawn.some(near)) return row;
      }
      return -1;
    }

    /** Ground distance from a post or bay to where each zone's reach begins, nearest first; negative within. */
    distances(part, row) {
      const { plan } = this;
      const { lonDeg, latDeg } = plan.posts;
      const posts = part === "post" ? [row] : [plan.bays.from[row], plan.bays.to[row]];
      const places = posts.map((post) => ({ lat: latDeg.value(post), lng: lonDeg.value(post) }));
      const [east, north] = metresPerDegree(places[0], this.earth.scale(places[0].lat));
      const local = ({ lat, lng }) => [(lng - places[0].lng) * east, (lat - places[0].lat) * north];
      const [from, to] = [local(places[0]), local(places[places.length - 1])];
      const found = this.zones.map((zone, at) => {
        const ways = zone.outlines.map(({ area, lng, lat }) => ({ area, way: Array.from(lng, (deg, point) => local({ lng: deg, lat: lat[point] })) }));
        let nearest = Infinity;
        for (const { way } of ways) {
          for (let point = 0; point < way.length; point++) {
            nearest = Math.min(nearest, stretchDistance(from, to, way[Math.max(0, point - 1)], way[point]));
          }
        }
        const rings = ways.filter(({ area }) => area).map(({ way }) => way);
        const inside = within(...from, rings);
        return { zone: at, distanceM: (inside ? -nearest : nearest) - zone.reach_m };
      });
      return found.filter(({ distanceM }) => Number.isFinite(distanceM)).sort((one, other) => one.distanceM - other.distanceM);
    }
  }

  Object.assign(geofence, { Zones });
})((window.geofence = window.geofence || {}));
