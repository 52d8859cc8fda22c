/* The long-section: ground, panels and posts along the fence, drawn from the same columns as the map. */
(function (geofence) {
  "use strict";

  const { style, drawFinding, Room, worse, unpack, firstOver } = geofence;
  const EXAGGERATIONS = [0.1, 0.2, 0.5, 1, 1.5, 2, 3, 4, 5, 8, 10, 15, 20, 30, 50, 100, 200];
  const PLOT = { left: 58, right: 12, top: 26, bottom: 22 };
  const BLOCK_PX = 3; // bays too short to be told apart are drawn in blocks of this,
  const POSTS_FROM_PX = 4; // but from here, of post spacing, each by itself with posts down to their toes,
  const STEPS_FROM_PX = 34; // from here with their steps
  const NAMES_FROM_PX = 46; // and names
  const LEAST_SPAN_M = 4;

  /** The largest 1, 2 or 5 times a power of ten that is at least `least`. */
  function roundStep(least) {
    const power = 10 ** Math.floor(Math.log10(least));
    return [1, 2, 5, 10].find((factor) => factor * power >= least * 0.999999) * power;
  }

  class Section {
    constructor(plan, canvas) {
      Object.assign(this, { plan, canvas, context: canvas.getContext("2d") });
      const { section, posts, bays, lines } = plan;
      this.groundM = this.readGround(section);
      this.levelM = unpack(section.level_m, section.count).map((number) => number / 1000);
      this.breaks = new Set(section.starts);
      const metres = (column) => {
        const values = new Float64Array(column.whole.length);
        for (let row = 0; row < values.length; row++) values[row] = column.whole[row] / 1000;
        return values;
      };
      this.lines = lines;
      this.postM = new Float64Array(posts.count).fill(NaN); // where a post is first
      lines.posts.forEach((post, at) => {
        if (Number.isNaN(this.postM[post])) this.postM[post] = lines.places[at];
      });
      // A post that exists goes down nobody knows how far: it is drawn to the ground.
      const groundM = metres(posts.table.ground_level_m);
      this.topM = metres(posts.table.top_level_m);
      this.toeM = metres(posts.table.toe_level_m).map((toe, row) => (Number.isNaN(toe) ? groundM[row] : toe));
      [this.startM, this.endM] = [lines.bayFrom, lines.bayTo];
      this.edges = ["underside_from_m", "underside_to_m", "top_from_m", "top_to_m"].map((name) => metres(bays.table[name]));
      this.lengthM = lines.lengthM;
      this.wanted = Infinity; // exaggeration, or as much as fits
      this.picked = null;
      this.showFindings = true;
      this.drawn = {};
      this.view = { from: 0, to: this.lengthM };
    }

    /** Places of the ground's points: chainages, each line moved on to its own stretch of the axis. */
    readGround({ chainage_m: chainage, count, starts }) {
      const places = unpack(chainage, count).map((number) => number / 100);
      this.plan.lines.runs.forEach((run, row) => {
        for (let at = starts[row]; at < (starts[row + 1] ?? count); at++) places[at] += run.moved;
      });
      return places;
    }

    /** Place of a post, of a bay's middle or of a finding; NaN for a finding of the whole plan. */
    chainageOf(part, row) {
      if (part === "post") return this.postM[row];
      if (part === "bay") return (this.startM[row] + this.endM[row]) / 2;
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

    /** Level of the drawn ground at a chainage. */
    groundAt(chainageM) {
      const after = Math.min(Math.max(firstOver(this.groundM, chainageM), 1), this.groundM.length - 1);
      const [from, to] = [this.groundM[after - 1], this.groundM[after]];
      const share = to > from ? Math.max(0, Math.min(1, (chainageM - from) / (to - from))) : 0;
      return this.levelM[after - 1] + share * (this.levelM[after] - this.levelM[after - 1]);
    }

    x(chainageM) {
      return PLOT.left + (chainageM - this.view.from) * this.pxPerMetre;
    }

    chainageAt(px) {
      return this.view.from + (px - PLOT.left) / this.pxPerMetre;
    }

    /** What is at a place of the canvas: a post where one is near, else the bay; null outside the plot. */
    hit(px) {
      const chainageM = this.chainageAt(px);
      if (!(chainageM >= this.view.from && chainageM <= this.view.to) || !this.lines.at(chainageM)) return null;
      const { posts, places } = this.lines;
      const after = Math.min(firstOver(places, chainageM), places.length - 1);
      const before = Math.max(after - 1, 0);
      const nearest = Math.abs(places[before] - chainageM) <= Math.abs(places[after] - chainageM) ? before : after;
      const post = posts[nearest];
      const spacingPx = this.plan.system.module_m * this.pxPerMetre;
      const reach = Math.min(9, spacingPx * 0.3);
      if (spacingPx < POSTS_FROM_PX || Math.abs(this.x(places[nearest]) - px) <= reach) return { part: "post", row: post, chainageM: places[nearest] };
      return { part: "bay", row: this.lines.bayAt(chainageM), chainageM };
    }

    resize() {
      const ratio = window.devicePixelRatio || 1;
      const [width, height] = [this.canvas.clientWidth, this.canvas.clientHeight];
      if (!width || !height) return;
      Object.assign(this, { width, height });
      this.canvas.width = Math.round(width * ratio);
      this.canvas.height = Math.round(height * ratio);
      this.draw();
    }

    /** Rows of bays and of ground in view. */
    range() {
      const { from, to } = this.view;
      const bays = [firstOver(this.endM, from), Math.min(this.endM.length, firstOver(this.startM, to))];
      let [first, last] = [Math.max(0, firstOver(this.groundM, from) - 1), Math.min(this.groundM.length, firstOver(this.groundM, to) + 1)];
      // A point beyond the view leads the ground on to its edge, unless it is another line's.
      if (this.lines.several && this.breaks.has(first + 1) && this.groundM[first + 1] <= to) first += 1;
      if (this.lines.several && this.breaks.has(last - 1) && this.groundM[last - 1] > to) last -= 1;
      return { bays, ground: [first, last] };
    }

    /** Lowest and highest level of all that is drawn of a range. */
    levels({ bays, ground }) {
      let [low, high] = [Infinity, -Infinity];
      const grow = (level) => {
        if (level < low) low = level;
        if (level > high) high = level;
      };
      for (let row = ground[0]; row < ground[1]; row++) grow(this.levelM[row]);
      for (let bay = bays[0]; bay < bays[1]; bay++) {
        for (const post of [this.plan.bays.from[bay], this.plan.bays.to[bay]]) {
          grow(this.topM[post]);
          grow(this.toeM[post]);
        }
      }
      return [low, high];
    }

    /** The largest exaggeration, up to the one wanted, at which the levels in view fit. */
    fit([low, high], plotHeight) {
      const most = plotHeight / Math.max((high - low) * this.pxPerMetre, 1e-9);
      const fitting = EXAGGERATIONS.filter((times) => times <= this.wanted && times <= most);
      this.exaggeration = fitting.length ? fitting[fitting.length - 1] : most;
      this.scaleY = this.exaggeration * this.pxPerMetre;
      const middle = (low + high) / 2;
      this.y = (level) => PLOT.top + plotHeight / 2 - (level - middle) * this.scaleY;
      this.levelAt = (y) => middle + (PLOT.top + plotHeight / 2 - y) / this.scaleY;
    }

    draw() {
      if (!this.width) return;
      const started = performance.now();
      const { context, width, height } = this;
      const ratio = this.canvas.width / width;
      const plot = { right: width - PLOT.right, bottom: height - PLOT.bottom };
      this.pxPerMetre = (plot.right - PLOT.left) / (this.view.to - this.view.from);
      const range = this.range();
      this.fit(this.levels(range), plot.bottom - PLOT.top - 8);
      this.spacingPx = this.plan.system.module_m * this.pxPerMetre;
      this.room = new Room();
      this.drawn = { stretches: 0, posts: 0, pieces: 0, labels: [], lines: [], findings: 0 };
      context.setTransform(ratio, 0, 0, ratio, 0, 0);
      context.fillStyle = style.PAPER;
      context.fillRect(0, 0, width, height);
      this.drawLevels(context, plot);
      context.save();
      context.beginPath();
      context.rect(PLOT.left, 0, plot.right - PLOT.left, plot.bottom);
      context.clip();
      this.drawGround(context, plot, range.ground);
      this.drawPanels(context, range.bays);
      if (this.spacingPx >= POSTS_FROM_PX) this.drawPosts(context, range.bays);
      this.drawPicked(context, plot);
      if (this.showFindings) this.drawFindings(context);
      context.restore();
      this.drawChainages(context, plot);
      if (this.spacingPx >= NAMES_FROM_PX) this.drawNames(context, range.bays);
      if (this.spacingPx >= STEPS_FROM_PX) this.drawSteps(context, range.bays);
      this.drawn.ms = performance.now() - started;
    }

    write(context, text, x, y, { align = "center", bold = false, fill = style.INK } = {}) {
      context.font = `${bold ? "600 " : ""}11.5px ${style.FONT}`;
      context.textAlign = align;
      context.textBaseline = "middle";
      context.lineJoin = "round";
      context.lineWidth = 3.5;
      context.strokeStyle = style.HALO;
      context.strokeText(text, x, y);
      context.fillStyle = fill;
      context.fillText(text, x, y);
    }

    drawLevels(context, plot) {
      const step = roundStep(26 / this.scaleY);
      const decimals = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
      context.strokeStyle = style.GRID;
      context.lineWidth = 1;
      const [low, high] = [this.levelAt(plot.bottom), this.levelAt(PLOT.top)];
      for (let level = Math.ceil(low / step) * step; level <= high; level += step) {
        const y = Math.round(this.y(level)) + 0.5;
        context.beginPath();
        context.moveTo(PLOT.left, y);
        context.lineTo(plot.right, y);
        context.stroke();
        this.write(context, level.toFixed(decimals), PLOT.left - 6, y, { align: "right" });
      }
      this.write(context, "Level, m", 4, 9, { align: "left", fill: style.QUIET });
    }

    drawChainages(context, plot) {
      const step = roundStep(88 / this.pxPerMetre);
      context.strokeStyle = style.INK;
      context.lineWidth = 1;
      context.strokeRect(PLOT.left + 0.5, PLOT.top - 24.5, plot.right - PLOT.left - 1, plot.bottom - PLOT.top + 24);
      context.beginPath();
      const ticks = [];
      for (const { moved, from, to } of this.lines.spans) {
        const [first, last] = [Math.max(this.view.from, from) - moved, Math.min(this.view.to, to) - moved];
        for (let at = Math.ceil(first / step - 1e-9) * step; at <= last + 1e-9; at += step) {
          ticks.push({ at, x: Math.round(this.x(at + moved)) + 0.5 });
        }
      }
      // Where each line begins is told first: its other chainages give way.
      ticks.sort((one, other) => Number(other.at === 0) - Number(one.at === 0));
      for (const { at, x } of ticks) {
        context.moveTo(x, plot.bottom);
        context.lineTo(x, plot.bottom + 5);
        const inside = Math.max(PLOT.left + 10, Math.min(x, plot.right - 22));
        if (this.lines.several && !this.room.take(inside, plot.bottom + 13, 29, 6)) continue;
        this.write(context, geofence.station(at, step < 1 ? 1 : 0), inside, plot.bottom + 13);
      }
      context.stroke();
      if (this.lines.several) this.drawLineNames(context, plot);
    }

    /** What each line in view is called, at its foot, and where it begins and ends. */
    drawLineNames(context, plot) {
      for (const { name, from, to } of this.lines.spans) {
        const [left, right] = [Math.max(this.x(from), PLOT.left), Math.min(this.x(to), plot.right)];
        if (right - left < 24) continue;
        context.font = `600 11.5px ${style.FONT}`;
        let text = name;
        while (text && context.measureText(text).width > right - left - 8) text = text.slice(0, -2);
        if (!text) continue;
        this.write(context, text === name ? name : `${text}…`, left + 5, plot.bottom - 9, { align: "left", bold: true });
        this.drawn.lines.push(name);
      }
    }

    /** The ground filled down to its foot, stretch by stretch. */
    drawGround(context, plot, [first, last]) {
      const dense = last - first > 2 * this.width;
      const line = new Path2D();
      const body = new Path2D();
      let start = first;
      for (let row = first + 1; row <= last; row++) {
        if (row < last && !this.breaks.has(row)) continue;
        const points = dense ? this.columns(start, row) : this.points(start, row);
        points.forEach(([x, y], place) => (place ? line.lineTo(x, y) : line.moveTo(x, y)));
        body.addPath(this.closed(points, plot.bottom));
        this.drawn.stretches++;
        start = row;
      }
      context.fillStyle = style.EARTH;
      context.fill(body);
      context.strokeStyle = style.GROUND;
      context.lineWidth = 1.6;
      context.lineJoin = "bevel";
      context.stroke(line);
    }

    points(first, last) {
      const points = [];
      for (let row = first; row < last; row++) points.push([this.x(this.groundM[row]), this.y(this.levelM[row])]);
      return points;
    }

    /** One point for each two columns of pixels: the highest of the ground there, so that no ridge is lost. */
    columns(first, last) {
      const points = [];
      let column = NaN;
      for (let row = first; row < last; row++) {
        const [x, y] = [this.x(this.groundM[row]), this.y(this.levelM[row])];
        if (Math.floor(x / 2) !== column) {
          column = Math.floor(x / 2);
          points.push([x, y]);
        } else if (y < points[points.length - 1][1]) points[points.length - 1][1] = y;
      }
      return points;
    }

    closed(points, foot) {
      const path = new Path2D();
      path.moveTo(points[0][0], foot);
      for (const [x, y] of points) path.lineTo(x, y);
      path.lineTo(points[points.length - 1][0], foot);
      path.closePath();
      return path;
    }

    /** Panels from underside to top, the underside in the colour of the bay on the map. */
    drawPanels(context, [first, last]) {
      if (this.spacingPx < POSTS_FROM_PX) this.drawBlocks(context, first, last);
      else this.drawBays(context, first, last);
    }

    /** Bays too many to tell apart: blocks of a few pixels, each with its highest top, lowest underside and worst colour. */
    drawBlocks(context, first, last) {
      const { colour } = this.plan.bays;
      const [underFrom, underTo, topFrom, topTo] = this.edges;
      const paint = (fill, x, y, width, height) => {
        context.fillStyle = fill;
        context.fillRect(x, y, width, height);
      };
      for (let bay = first; bay < last; bay++) {
        const x = this.x(this.startM[bay]);
        let [low, high, shade] = [Infinity, -Infinity, colour[bay]];
        for (let more = true; more; bay += more ? 1 : 0) {
          [low, high] = [Math.min(low, underFrom[bay], underTo[bay]), Math.max(high, topFrom[bay], topTo[bay])];
          shade = worse(shade, colour[bay]);
          more = this.x(this.endM[bay]) - x < BLOCK_PX && bay + 1 < last && this.startM[bay + 1] === this.endM[bay];
        }
        const width = this.x(this.endM[bay]) - x;
        const [top, under] = [this.y(high), this.y(low)];
        if (shade !== style.GATE) paint(style.PANEL, x, top, width, under - top);
        paint(style.INK, x, top - 0.6, width, 1.2);
        paint(style.INK, x, under - 2.5, width, 5);
        paint(geofence.bayColour(shade), x, under - 1.5, width, 3);
        this.drawn.pieces++;
      }
    }

    drawBays(context, first, last) {
      const { colour, kind } = this.plan.bays;
      const [underFrom, underTo, topFrom, topTo] = this.edges;
      const [body, tops] = [new Path2D(), new Path2D()];
      const undersides = new Map();
      for (let bay = first; bay < last; bay++) {
        const [from, to] = [this.x(this.startM[bay]), this.x(this.endM[bay])];
        const corners = [[from, topFrom[bay]], [to, topTo[bay]], [to, underTo[bay]], [from, underFrom[bay]]];
        const [start, end, under, foot] = corners.map(([x, level]) => [x, this.y(level)]);
        tops.moveTo(...start);
        tops.lineTo(...end);
        if (kind(bay) !== "gate") {
          body.moveTo(...start);
          for (const corner of [end, under, foot]) body.lineTo(...corner);
          body.closePath();
        }
        if (!undersides.has(colour[bay])) undersides.set(colour[bay], new Path2D());
        undersides.get(colour[bay]).moveTo(...foot);
        undersides.get(colour[bay]).lineTo(...under);
        this.drawn.pieces++;
      }
      context.fillStyle = style.PANEL;
      context.fill(body);
      context.lineWidth = 1.2;
      context.strokeStyle = style.INK;
      context.stroke(tops);
      for (const [shade, path] of [...undersides].sort(([one], [other]) => (worse(one, other) === one ? 1 : -1))) {
        geofence.strokePath(context, shade, 3, path);
      }
    }

    /** Calls `visit(post, x)` for each post of a range of bays, once. */
    eachPost([first, last], visit) {
      const { from, to } = this.plan.bays;
      for (let bay = first; bay < last; bay++) {
        visit(from[bay], this.x(this.startM[bay]));
        if (bay + 1 === last || from[bay + 1] !== to[bay]) visit(to[bay], this.x(this.endM[bay]));
      }
    }

    drawPosts(context, range) {
      const width = Math.max(1, Math.min(this.plan.system.post_width_m * this.pxPerMetre, 16));
      context.fillStyle = style.INK;
      this.eachPost(range, (post, x) => {
        const [top, toe] = [this.y(this.topM[post]), this.y(this.toeM[post])];
        context.fillRect(x - width / 2, top, width, toe - top);
        this.drawn.posts++;
      });
    }

    drawPicked(context, plot) {
      if (!this.picked) return;
      const { part, row } = this.picked;
      const x = this.x(this.chainageOf(part, row));
      if (Number.isNaN(x)) return;
      context.strokeStyle = style.INK;
      context.lineWidth = 2.5;
      const everywhere = part === "post" ? this.lines.placesOf(row).map((place) => this.x(place)) : [];
      if (part === "bay") {
        const [from, to] = [this.x(this.startM[row]), this.x(this.endM[row])];
        const [top, under] = [Math.max(this.edges[2][row], this.edges[3][row]), Math.min(this.edges[0][row], this.edges[1][row])];
        context.strokeRect(from, this.y(top) - 4, Math.max(2, to - from), this.y(under) - this.y(top) + 8);
      } else if (part === "post") {
        const [top, toe] = [this.y(this.topM[row]), this.y(this.toeM[row])];
        for (const at of everywhere) context.strokeRect(at - 6, top - 4, 12, toe - top + 8);
      } else {
        context.beginPath();
        context.moveTo(x, 0);
        context.lineTo(x, plot.bottom);
        context.stroke();
      }
    }

    drawFindings(context) {
      for (const { severity, place } of this.plan.findings) {
        const x = this.x(place);
        if (!(place >= this.view.from && place <= this.view.to) || !this.room.take(x, 13, 7, 11)) continue;
        drawFinding(context, severity, x, 13);
        this.drawn.findings++;
      }
    }

    label(context, text, x, y, look) {
      context.font = `${look.bold ? "600 " : ""}11.5px ${style.FONT}`;
      const half = context.measureText(text).width / 2 + 1;
      if (x - half < PLOT.left || x + half > this.width - PLOT.right) return;
      if (!this.room.take(x, y, half, 6)) return;
      this.write(context, text, x, y, look);
      this.drawn.labels.push(text);
    }

    drawNames(context, range) {
      this.eachPost(range, (post, x) => {
        const text = this.plan.posts.names.name(post);
        this.label(context, text, x, this.y(this.topM[post]) - 9, { bold: true });
      });
    }

    /** Steps in metres, up positive, beside the underside at which they are seen. */
    drawSteps(context, [first, last]) {
      const step = this.plan.bays.table.step_m;
      for (let bay = first; bay < last; bay++) {
        const metres = step.value(bay);
        if (!metres) continue;
        const text = `${metres > 0 ? "+" : "−"}${Math.abs(metres).toFixed(3).replace(/0$/, "")}`;
        const half = 20;
        this.label(context, text, this.x(this.startM[bay]) + half, this.y(this.edges[0][bay]) - 11, { fill: style.STEP });
      }
    }
  }

  Object.assign(geofence, { Section });
})((window.geofence = window.geofence || {}));
