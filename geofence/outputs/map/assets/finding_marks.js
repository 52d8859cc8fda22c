/* Marks of findings on the sheet: to the right of the fence, beside what they speak of. */
(function (geofence) {
  "use strict";

  const { style, drawFinding, Room } = geofence;
  const AWAY_PX = 17;
  const CLEAR_OF_HOLE_PX = 12;
  const OUTLINE_PX = 13;

  class FindingMarks {
    constructor(plan, posts) {
      Object.assign(this, { plan, posts });
      this.forget();
    }

    /** None is drawn, and none can be hit. */
    forget() {
      this.marks = []; // {finding, px, py, fx, fy}: the mark and what it speaks of, on the canvas
    }

    /** The post whose surroundings give a finding its direction. */
    anchor(finding) {
      return finding.post ?? this.plan.bays.from[this.plan.lines.bayAt(finding.place)];
    }

    draw(context, frame, labels) {
      this.marks = this.placed(frame);
      context.strokeStyle = style.INK;
      context.lineWidth = 1.2;
      context.beginPath();
      for (const { px, py, fx, fy } of this.marks) {
        context.moveTo(fx, fy);
        context.lineTo(px, py);
      }
      context.stroke();
      for (const { finding, px, py } of [...this.marks].reverse()) {
        drawFinding(context, finding.severity, px, py);
        labels.room.take(px, py, 9, 9);
      }
      return { findings: this.marks.length };
    }

    /** The marks that have room, the worst first. */
    placed(frame) {
      const room = new Room();
      const away = Math.max(AWAY_PX, (this.plan.system.hole_diameter_m * frame.pxPerMetre) / 2 + CLEAR_OF_HOLE_PX);
      const marks = [];
      for (const finding of this.plan.findings) {
        if (!finding.placed) continue;
        const [fx, fy] = at(finding, frame);
        if (fx < -30 || fy < -30 || fx > frame.width + 30 || fy > frame.height + 30) continue;
        const { dx, dy } = this.posts.ahead(this.anchor(finding));
        const [px, py] = [fx - dy * away, fy + dx * away];
        if (room.take(px, py, 6, 6)) marks.push({ finding, px, py, fx, fy });
      }
      return marks;
    }

    /** The ring around the mark of a finding that is picked; around its place where it has no mark. */
    outline(context, frame, row) {
      const finding = this.plan.findings[row];
      const mark = this.marks.find((known) => known.finding === finding);
      const [px, py] = mark ? [mark.px, mark.py] : at(finding, frame);
      context.arc(px, py, OUTLINE_PX, 0, 2 * Math.PI);
    }

    hit(_frame, place, reach) {
      const mark = this.marks.find(({ px, py }) => Math.hypot(px - place.x, py - place.y) <= reach + 1);
      return mark ? { part: "finding", row: mark.finding.row } : null;
    }
  }

  function at({ x, y }, { scale, left, top }) {
    return [x * scale - left, y * scale - top];
  }

  Object.assign(geofence, { FindingMarks });
})((window.geofence = window.geofence || {}));
