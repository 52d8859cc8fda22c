/* Bays on the long-section: panels from underside to top, the underside in the colour of the bay on the map. */
(function (geofence) {
  "use strict";

  const { style, worse, strokePath, bayColour, firstOver } = geofence;
  const BLOCK_PX = 3; // bays too short to be told apart are drawn in blocks of this
  const STEPS_FROM_PX = 34; // of post spacing: from here steps are written
  const STEP_ASIDE_PX = 20;
  const MOST_STEEP = 3; // pixels down for one across: steeper bands do not grow any more

  class SectionBays {
    constructor(plan) {
      this.plan = plan;
      [this.startM, this.endM] = [plan.lines.bayFrom, plan.lines.bayTo];
      [this.underFrom, this.underTo, this.topFrom, this.topTo] = [
        "underside_from_m", "underside_to_m", "top_from_m", "top_to_m",
      ].map((name) => plan.bays.table[name].values());
    }

    /** Rows in view, the first and the one after the last. */
    rows({ from, to }) {
      return [firstOver(this.endM, from), Math.min(this.endM.length, firstOver(this.startM, to))];
    }

    draw(context, section, rows) {
      return { pieces: section.single ? this.drawEach(context, section, rows) : this.drawBlocks(context, section, rows) };
    }

    /** Bays too many to tell apart: blocks of a few pixels, each in its worst colour. */
    drawBlocks(context, section, [first, last]) {
      let pieces = 0;
      for (let bay = first, end = first; bay < last; bay = end) {
        const x = section.x(this.startM[bay]);
        let shade = style.GATE;
        do {
          shade = worse(shade, this.plan.bays.colour[end++]);
        } while (end < last && section.x(this.endM[end - 1]) - x < BLOCK_PX && this.startM[end] === this.endM[end - 1]);
        this.drawBlock(context, section, bay, end - 1, shade);
        pieces++;
      }
      return pieces;
    }

    /** From where the first bay of a block begins to where its last one ends. */
    drawBlock(context, section, first, last, shade) {
      const ends = [section.x(this.startM[first]), section.x(this.endM[last])];
      const above = [section.y(this.topFrom[first]), section.y(this.topTo[last])];
      const below = [section.y(this.underFrom[first]), section.y(this.underTo[last])];
      if (shade !== style.GATE) fillBetween(context, style.PANEL, ends, above, below);
      fillAlong(context, style.INK, ends, above, 0.6);
      fillAlong(context, style.INK, ends, below, 2.5);
      fillAlong(context, bayColour(shade), ends, below, 1.5);
    }

    drawEach(context, section, [first, last]) {
      const { colour, kind } = this.plan.bays;
      const [panels, tops] = [new Path2D(), new Path2D()];
      const undersides = new Map();
      for (let bay = first; bay < last; bay++) {
        const [start, end, under, foot] = this.corners(section, bay);
        tops.moveTo(...start);
        tops.lineTo(...end);
        if (kind(bay) !== "gate") tracePanel(panels, [start, end, under, foot]);
        if (!undersides.has(colour[bay])) undersides.set(colour[bay], new Path2D());
        undersides.get(colour[bay]).moveTo(...foot);
        undersides.get(colour[bay]).lineTo(...under);
      }
      context.fillStyle = style.PANEL;
      context.fill(panels);
      context.lineWidth = 1.2;
      context.strokeStyle = style.INK;
      context.stroke(tops);
      const bestFirst = [...undersides].sort(([one], [other]) => (worse(one, other) === one ? 1 : -1));
      for (const [shade, path] of bestFirst) strokePath(context, shade, 3, path);
      return last - first;
    }

    /** A bay's corners: top at its start and end, underside at its end and start. */
    corners(section, bay) {
      const [from, to] = [section.x(this.startM[bay]), section.x(this.endM[bay])];
      return [
        [from, section.y(this.topFrom[bay])], [to, section.y(this.topTo[bay])],
        [to, section.y(this.underTo[bay])], [from, section.y(this.underFrom[bay])],
      ];
    }

    /** The frame around a bay that is picked. */
    outline(context, section, bay) {
      const [[from, first], [to, second], [, third], [, fourth]] = this.corners(section, bay);
      const [top, foot] = [Math.min(first, second), Math.max(third, fourth)];
      context.rect(from, top - 4, Math.max(2, to - from), foot - top + 8);
    }

    /** Steps in metres, up positive, beside the underside at which they are seen. */
    label(section, [first, last]) {
      if (section.spacingPx < STEPS_FROM_PX) return;
      const step = this.plan.bays.table.step_m;
      for (let bay = first; bay < last; bay++) {
        const metres = step.value(bay);
        if (!metres) continue;
        const text = `${metres > 0 ? "+" : "−"}${Math.abs(metres).toFixed(3).replace(/0$/, "")}`;
        const [x, y] = [section.x(this.startM[bay]) + STEP_ASIDE_PX, section.y(this.underFrom[bay]) - 11];
        section.label(text, x, y, { fill: style.STEP });
      }
    }
  }

  function tracePanel(path, [start, ...corners]) {
    path.moveTo(...start);
    for (const corner of corners) path.lineTo(...corner);
    path.closePath();
  }

  /** Fills between two lines, each given by its heights at the ends of a stretch. */
  function fillBetween(context, fill, [from, to], above, below) {
    context.fillStyle = fill;
    context.beginPath();
    context.moveTo(from, above[0]);
    context.lineTo(to, above[1]);
    context.lineTo(to, below[1]);
    context.lineTo(from, below[0]);
    context.fill();
  }

  /** Fills a band as wide on steep lines as on level ones. */
  function fillAlong(context, fill, ends, line, half) {
    const [dx, dy] = [ends[1] - ends[0], line[1] - line[0]];
    const reach = half * Math.min(MOST_STEEP, Math.hypot(dx, dy) / dx);
    fillBetween(context, fill, ends, line.map((y) => y - reach), line.map((y) => y + reach));
  }

  Object.assign(geofence, { SectionBays });
})((window.geofence = window.geofence || {}));
