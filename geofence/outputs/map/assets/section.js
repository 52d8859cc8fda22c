/* The long-section: ground, bays and posts along the fence, drawn from the same columns as the map. */
(function (geofence) {
  "use strict";

  const { style, drawFinding, writeText, textWidth, Room, firstOver } = geofence;
  const EXAGGERATIONS = [0.1, 0.2, 0.5, 1, 1.5, 2, 3, 4, 5, 8, 10, 15, 20, 30, 50, 100, 200];
  const MARGINS = { left: 58, right: 12, top: 26, bottom: 22 };
  const SINGLE_FROM_PX = 4; // of post spacing: from here each bay is drawn by itself, with its posts down to their toes
  const TEXT_PX = 11.5;
  const FINDINGS_PX = 13; // from the upper edge
  const LEAST_SPAN_M = 4;

  class Section {
    constructor(plan, canvas) {
      Object.assign(this, { plan, canvas, context: canvas.getContext("2d"), lines: plan.lines });
      this.lengthM = plan.lines.lengthM;
      this.ground = new geofence.SectionGround(plan);
      this.bays = new geofence.SectionBays(plan);
      this.posts = new geofence.SectionPosts(plan);
      this.axes = new geofence.SectionAxes(plan.lines);
      this.postM = new Float64Array(plan.posts.count).fill(NaN); // where a post is first
      this.lines.posts.forEach((post, at) => {
        if (Number.isNaN(this.postM[post])) this.postM[post] = this.lines.places[at];
      });
      this.wanted = Infinity; // exaggeration, or as much as fits
      this.picked = null;
      this.showFindings = true;
      this.drawn = {};
      this.view = { from: 0, to: this.lengthM };
    }

    /** Place of a post, of a bay's middle or of a finding; NaN for a finding of the whole plan. */
    chainageOf(part, row) {
      if (part === "post") return this.postM[row];
      if (part === "bay") return (this.lines.bayFrom[row] + this.lines.bayTo[row]) / 2;
      return this.plan.findings[row].place;
    }

    /** Shows a stretch, kept within the fence and no shorter than can be read. */
    look(from, to) {
      const span = Math.min(Math.max(to - from, Math.min(LEAST_SPAN_M, this.lengthM)), this.lengthM);
      const start = Math.max(0, Math.min((from + to) / 2 - span / 2, this.lengthM - span));
      this.view = { from: start, to: start + span };
      this.draw();
      if (this.onLook) this.onLook();
    }

    /** Closer (`factor` < 1) or farther about a chainage that stays where it is. */
    zoom(factor, about = (this.view.from + this.view.to) / 2) {
      const { from, to } = this.view;
      const span = Math.max((to - from) * factor, Math.min(LEAST_SPAN_M, this.lengthM));
      const share = (about - from) / (to - from);
      this.look(about - share * span, about + (1 - share) * span);
    }

    /** Brings a chainage into view, at no more than a span. */
    reveal(chainageM, mostSpanM = Infinity) {
      const span = Math.min(this.view.to - this.view.from, mostSpanM);
      const margin = span * 0.06;
      const same = span === this.view.to - this.view.from;
      if (same && chainageM >= this.view.from + margin && chainageM <= this.view.to - margin) return;
      this.look(chainageM - span / 2, chainageM + span / 2);
    }

    pick(part, row) {
      this.picked = part === null ? null : { part, row };
      this.draw();
    }

    x(chainageM) {
      return MARGINS.left + (chainageM - this.view.from) * this.pxPerMetre;
    }

    y(level) {
      return this.middle.y - (level - this.middle.level) * this.scaleY;
    }

    chainageAt(px) {
      return this.view.from + (px - MARGINS.left) / this.pxPerMetre;
    }

    levelAt(py) {
      return this.middle.level + (this.middle.y - py) / this.scaleY;
    }

    inView(chainageM) {
      return chainageM >= this.view.from && chainageM <= this.view.to;
    }

    /** What is at a place of the canvas: a post where one is near, else the bay; null outside the plot. */
    hit(px) {
      const chainageM = this.chainageAt(px);
      if (!this.inView(chainageM) || !this.lines.at(chainageM)) return null;
      const { posts, places } = this.lines;
      const after = Math.min(firstOver(places, chainageM), places.length - 1);
      const before = Math.max(after - 1, 0);
      const nearest = Math.abs(places[before] - chainageM) <= Math.abs(places[after] - chainageM) ? before : after;
      const reach = Math.min(9, this.spacingPx * 0.3);
      if (!this.single || Math.abs(this.x(places[nearest]) - px) <= reach) {
        return { part: "post", row: posts[nearest], chainageM: places[nearest] };
      }
      return { part: "bay", row: this.lines.bayAt(chainageM), chainageM };
    }

    resize() {
      const ratio = window.devicePixelRatio || 1;
      const [width, height] = [this.canvas.clientWidth, this.canvas.clientHeight];
      if (!width || !height) return;
      Object.assign(this, { width, height });
      this.plot = { left: MARGINS.left, top: MARGINS.top, right: width - MARGINS.right, bottom: height - MARGINS.bottom };
      this.canvas.width = Math.round(width * ratio);
      this.canvas.height = Math.round(height * ratio);
      this.draw();
    }

    /** Scales for what is in view: the largest exaggeration, up to the one wanted, at which its levels fit. */
    fit(bays, ground) {
      let [low, high] = [Infinity, -Infinity];
      const grow = (level) => {
        if (level < low) low = level;
        if (level > high) high = level;
      };
      this.ground.levels(ground, grow);
      this.posts.levels(bays, grow);
      const height = this.plot.bottom - this.plot.top - 8;
      const most = height / Math.max((high - low) * this.pxPerMetre, 1e-9);
      const fitting = EXAGGERATIONS.filter((times) => times <= this.wanted && times <= most);
      this.exaggeration = fitting.length ? fitting[fitting.length - 1] : most;
      this.scaleY = this.exaggeration * this.pxPerMetre;
      this.middle = { level: (low + high) / 2, y: this.plot.top + height / 2 };
    }

    draw() {
      if (!this.width) return;
      const started = performance.now();
      const { context, plot } = this;
      this.pxPerMetre = (plot.right - plot.left) / (this.view.to - this.view.from);
      this.spacingPx = this.plan.system.module_m * this.pxPerMetre;
      this.single = this.spacingPx >= SINGLE_FROM_PX;
      const [bays, ground] = [this.bays.rows(this.view), this.ground.rows(this.view)];
      this.fit(bays, ground);
      this.room = new Room();
      this.drawn = { posts: 0, labels: [], findings: 0 };
      this.clear(context);
      this.axes.drawLevels(context, this);
      this.drawInside(context, bays, ground);
      Object.assign(this.drawn, this.axes.drawChainages(context, this));
      this.posts.label(this, bays);
      this.bays.label(this, bays);
      this.drawn.ms = performance.now() - started;
    }

    clear(context) {
      const ratio = this.canvas.width / this.width;
      context.setTransform(ratio, 0, 0, ratio, 0, 0);
      context.fillStyle = style.PAPER;
      context.fillRect(0, 0, this.width, this.height);
    }

    /** All that is cut off at the sides of the plot. */
    drawInside(context, bays, ground) {
      const { left, right, bottom } = this.plot;
      context.save();
      context.beginPath();
      context.rect(left, 0, right - left, bottom);
      context.clip();
      Object.assign(this.drawn, this.ground.draw(context, this, ground), this.bays.draw(context, this, bays));
      if (this.single) Object.assign(this.drawn, this.posts.draw(context, this, bays));
      if (this.picked) this.drawPicked(context);
      if (this.showFindings) this.drawFindings(context);
      context.restore();
    }

    drawPicked(context) {
      const { part, row } = this.picked;
      const x = this.x(this.chainageOf(part, row));
      if (Number.isNaN(x)) return;
      context.strokeStyle = style.INK;
      context.lineWidth = 2.5;
      context.beginPath();
      if (part === "finding") {
        context.moveTo(x, 0);
        context.lineTo(x, this.plot.bottom);
      } else this[`${part}s`].outline(context, this, row);
      context.stroke();
    }

    drawFindings(context) {
      for (const { place, severity } of this.plan.findings) {
        const x = this.x(place);
        if (!this.inView(place) || !this.room.take(x, FINDINGS_PX, 7, 11)) continue;
        drawFinding(context, severity, x, FINDINGS_PX);
        this.drawn.findings++;
      }
    }

    write(text, x, y, look) {
      writeText(this.context, text, x, y, { sizePx: TEXT_PX, ...look });
    }

    textWidth(text, look) {
      return textWidth(this.context, text, { sizePx: TEXT_PX, ...look });
    }

    /** Writes a text about a point of the plot if there is room. */
    label(text, x, y, look) {
      const half = this.textWidth(text, look) / 2 + 1;
      if (x - half < this.plot.left || x + half > this.plot.right || !this.room.take(x, y, half, 6)) return;
      this.write(text, x, y, look);
      this.drawn.labels.push(text);
    }
  }

  Object.assign(geofence, { Section });
})((window.geofence = window.geofence || {}));
