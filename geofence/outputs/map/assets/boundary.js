/* The boundary: its legs, their vertices, and what a leg measures. */
(function (geofence) {
  "use strict";

  const { style, around, clip } = geofence;
  const BAND_PX = 17;
  const LINE_PX = 1.3;
  const DASH = [12, 4, 2, 4];
  const DASH_PX = DASH.reduce((sum, part) => sum + part);
  const VERTEX_PX = 8.5;
  const APART_PX = 22; // vertices nearer than this are drawn as one
  const LABEL_AWAY_PX = 30;

  class Boundary {
    constructor(plan) {
      this.legs = plan.legs.number.map((number, row) => this.read(plan, number, row));
    }

    read({ legs, lines }, number, row) {
      const [ax, ay] = geofence.project(legs.lon_from_deg[row], legs.lat_from_deg[row]);
      const [bx, by] = geofence.project(legs.lon_to_deg[row], legs.lat_to_deg[row]);
      const [distance, bearing] = [legs.ground_distance_m[row].toFixed(2), geofence.bearing(legs.bearing_deg[row], 2)];
      const whose = lines.several ? `${legs.line[row]} leg` : "Leg";
      return { ax, ay, bx, by, label: `${whose} ${number} · ${distance} m · ${bearing}°` };
    }

    ends({ ax, ay, bx, by }, { scale, left, top }) {
      return [ax * scale - left, ay * scale - top, bx * scale - left, by * scale - top];
    }

    draw(context, frame) {
      const stretches = this.stretches(frame);
      this.drawBand(context, stretches);
      this.drawLine(context, stretches);
      this.drawVertices(context, frame);
      return {};
    }

    /** Only what is in view: dashes along a leg of kilometres cost as much as the leg is long on screen. */
    stretches(frame) {
      const stretches = [];
      const box = around(frame, 30);
      for (const leg of this.legs) {
        const ends = this.ends(leg, frame);
        const seen = clip(...ends, box);
        if (seen) stretches.push({ seen, hidden: Math.hypot(seen[0] - ends[0], seen[1] - ends[1]) });
      }
      return stretches;
    }

    drawBand(context, stretches) {
      context.beginPath();
      for (const { seen } of stretches) trace(context, seen);
      context.lineCap = "round";
      context.strokeStyle = style.BOUNDARY_BAND;
      context.lineWidth = BAND_PX;
      context.stroke();
      context.lineCap = "butt";
    }

    drawLine(context, stretches) {
      context.strokeStyle = style.BOUNDARY;
      context.lineWidth = LINE_PX;
      context.setLineDash(DASH);
      for (const { seen, hidden } of stretches) {
        context.beginPath();
        context.lineDashOffset = hidden % DASH_PX;
        trace(context, seen);
        context.stroke();
      }
      context.setLineDash([]);
      context.lineDashOffset = 0;
    }

    drawVertices(context, frame) {
      let last = [-Infinity, -Infinity];
      context.lineWidth = 1.2;
      context.strokeStyle = style.BOUNDARY;
      for (const leg of this.legs) {
        const [ax, ay, bx, by] = this.ends(leg, frame);
        for (const [x, y] of [[ax, ay], [bx, by]]) {
          const off = x < -9 || y < -9 || x > frame.width + 9 || y > frame.height + 9;
          if (off || Math.hypot(x - last[0], y - last[1]) < APART_PX) continue;
          last = [x, y];
          context.beginPath();
          context.arc(x, y, VERTEX_PX, 0, 2 * Math.PI);
          context.stroke();
        }
      }
    }

    label(labels, frame) {
      for (const leg of this.legs) {
        const seen = clip(...this.ends(leg, frame), frame.view);
        if (seen) labels.along(leg.label, seen, LABEL_AWAY_PX, { fill: style.BOUNDARY, bold: true });
      }
    }
  }

  function trace(context, [ax, ay, bx, by]) {
    context.moveTo(ax, ay);
    context.lineTo(bx, by);
  }

  Object.assign(geofence, { Boundary });
})((window.geofence = window.geofence || {}));
