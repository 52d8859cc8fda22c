/* Bays on the sheet: pieces of line in the colour of their class, and their widths. */
(function (geofence) {
  "use strict";

  const { style, strokeBay, worse, atLeast, segmentDistance } = geofence;
  const PIECE_PX = 2; // bays shorter than this on screen are drawn together, in the colour of the worst of them
  const LEAST_OVER_PX = 8; // what must not be built is never drawn shorter than this
  const WIDTHS_FROM_PX = 150; // of post spacing: from here bays have their widths
  const LABEL_AWAY_PX = 15;
  const OUTLINE_PX = 11; // from a bay to the frame around it

  class Bays {
    constructor(plan, gates) {
      Object.assign(this, { plan, gates });
    }

    /** Where a bay begins and ends on the canvas. */
    ends(bay, { scale, left, top }) {
      const { x, y } = this.plan.posts;
      const [from, to] = [this.plan.bays.from[bay], this.plan.bays.to[bay]];
      return [x[from] * scale - left, y[from] * scale - top, x[to] * scale - left, y[to] * scale - top];
    }

    /** Calls `visit(bay)` for each bay of the frame's runs. */
    each({ runs }, visit) {
      for (const run of runs) for (let bay = run.first; bay < run.last; bay++) visit(bay);
    }

    draw(context, frame) {
      const { leaves } = this.gates.draw(context, frame);
      const lines = this.pieces(frame);
      const width = frame.spacingPx < style.DOTS_FROM_PX ? 3.4 : frame.spacingPx < style.SHAPES_FROM_PX ? 4.2 : 5;
      const bestFirst = [...lines.keys()].sort((one, other) => (worse(one, other) === one ? 1 : -1));
      for (const colour of bestFirst) strokeBay(context, colour, width, (path) => trace(path, lines.get(colour)));
      const pieces = [...lines.values()].reduce((sum, line) => sum + line.length / 4, 0);
      return { leaves, pieces };
    }

    /** By colour, the pieces of line (ax, ay, bx, by and so on) of at least PIECE_PX that are gathered in it. */
    pieces({ scale, left, top, runs }) {
      const { x, y } = this.plan.posts;
      const { from, to, colour } = this.plan.bays;
      const lines = new Map();
      for (const run of runs) {
        let [startX, startY, worst] = [NaN, NaN, 0];
        for (let bay = run.first; bay < run.last; bay++) {
          if (Number.isNaN(startX)) {
            startX = x[from[bay]] * scale - left;
            startY = y[from[bay]] * scale - top;
            worst = colour[bay];
          } else worst = worse(worst, colour[bay]);
          const endX = x[to[bay]] * scale - left;
          const endY = y[to[bay]] * scale - top;
          if (Math.abs(endX - startX) + Math.abs(endY - startY) < PIECE_PX && bay < run.last - 1) continue;
          if (!lines.has(worst)) lines.set(worst, []);
          if (worst === style.OVER) lines.get(worst).push(...atLeast(LEAST_OVER_PX, startX, startY, endX, endY));
          else lines.get(worst).push(startX, startY, endX, endY);
          startX = NaN;
        }
      }
      return lines;
    }

    /** The frame around a bay that is picked. */
    outline(context, frame, bay) {
      const [ax, ay, bx, by] = this.ends(bay, frame);
      const reach = OUTLINE_PX / (Math.hypot(bx - ax, by - ay) || 1);
      const [nx, ny] = [(ay - by) * reach, (bx - ax) * reach];
      context.moveTo(ax + nx, ay + ny);
      context.lineTo(bx + nx, by + ny);
      context.lineTo(bx - nx, by - ny);
      context.lineTo(ax - nx, ay - ny);
      context.closePath();
    }

    label(labels, frame) {
      if (frame.spacingPx < WIDTHS_FROM_PX) return;
      this.each(frame, (bay) => {
        const ends = this.ends(bay, frame);
        const [midX, midY] = [(ends[0] + ends[2]) / 2, (ends[1] + ends[3]) / 2];
        if (midX < 0 || midY < 0 || midX > frame.width || midY > frame.height) return;
        labels.along(this.text(bay), ends, LABEL_AWAY_PX, {});
      });
    }

    text(bay) {
      const { table, kind } = this.plan.bays;
      const gate = this.gates.of(bay);
      const what = kind(bay) === "gate" ? `gate${gate ? ` ${gate.name}` : ""}` : `gap ${table.gap_max_m.text(bay)} m`;
      return `${table.width_m.text(bay)} m · ${what}`;
    }

    /** The nearest bay within reach of a place. */
    hit(frame, place, reach) {
      let [best, nearest] = [null, reach];
      this.each(frame, (bay) => {
        const distance = segmentDistance(place.x, place.y, ...this.ends(bay, frame));
        if (distance < nearest) [best, nearest] = [{ part: "bay", row: bay }, distance];
      });
      return best;
    }
  }

  /** Pieces of line as one path: each goes on from the last where it begins at its end. */
  function trace(path, line) {
    for (let at = 0; at < line.length; at += 4) {
      if (at === 0 || line[at] !== line[at - 2] || line[at + 1] !== line[at - 1]) path.moveTo(line[at], line[at + 1]);
      path.lineTo(line[at + 2], line[at + 3]);
    }
  }

  Object.assign(geofence, { Bays });
})((window.geofence = window.geofence || {}));
