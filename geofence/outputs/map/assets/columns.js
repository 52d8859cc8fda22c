/* The plan's columns: whole numbers in the page, numbers and texts with units out of it. */
(function (geofence) {
  "use strict";

  /** Whole numbers of a packed column; `near` (an array) is added, holes stay NaN. */
  function unpack(column, count, near) {
    const numbers = new Float64Array(count);
    numbers.set(column.values);
    for (let turn = 0; turn < column.order; turn++) {
      for (let row = 1; row < count; row++) numbers[row] += numbers[row - 1];
    }
    if (near) for (let row = 0; row < count; row++) numbers[row] += near[row];
    for (const row of column.holes || []) numbers[row] = NaN;
    return numbers;
  }

  /** A column that knows its unit in the last decimal. */
  class Column {
    constructor(column, count, near) {
      this.decimals = column.decimals || 0;
      this.whole = unpack(column, count, near);
    }

    value(row) {
      return this.whole[row] / 10 ** this.decimals;
    }

    /** All values, NaN where there is none. */
    values() {
      const parts = 10 ** this.decimals;
      return this.whole.map((number) => number / parts);
    }

    has(row) {
      return !Number.isNaN(this.whole[row]);
    }

    text(row) {
      return this.value(row).toFixed(this.decimals);
    }
  }

  /** A bearing as text: what rounds to a full turn is 0. */
  function bearing(deg, decimals) {
    const text = deg.toFixed(decimals);
    return Number(text) === 360 ? (0).toFixed(decimals) : text;
  }

  /** The columns of a table, in order: a column may lie near one before it, or near the difference of two. */
  function table(packed, count) {
    const columns = {};
    const solid = (name) => columns[name].whole.map((number) => (Number.isNaN(number) ? 0 : number));
    for (const [name, column] of Object.entries(packed)) {
      let near = null;
      if (column.near) {
        const [first, second] = column.near.split("-");
        near = solid(first);
        if (second) {
          const less = solid(second);
          for (let row = 0; row < count; row++) near[row] -= less[row];
        }
      }
      columns[name] = new Column(column, count, near);
    }
    return columns;
  }

  /** name(row) and row(name) of names that count from 1, or of a plain list. */
  class Names {
    constructor(names, count) {
      Object.assign(this, names);
      this.count = count;
    }

    name(row) {
      return this.list ? this.list[row] : this.letter + String(row + 1).padStart(this.digits, "0");
    }

    /** The row of a name, typed in any case and with or without zeros; -1 where there is none. */
    row(name) {
      const wanted = name.trim().toUpperCase();
      if (this.list) return this.list.findIndex((known) => known.toUpperCase() === wanted);
      const match = /^([A-Z])0*(\d+)$/.exec(wanted);
      const row = match && match[1] === this.letter ? Number(match[2]) - 1 : -1;
      return row < this.count ? row : -1;
    }
  }

  /** Longitude and latitude as x, y of the world's square in web Mercator, 256 wide, y down. */
  function project(lonDeg, latDeg) {
    const sine = Math.sin((latDeg * Math.PI) / 180);
    return [256 * (lonDeg / 360 + 0.5), 128 - (64 / Math.PI) * Math.log((1 + sine) / (1 - sine))];
  }

  function words(coded, count) {
    const codes = unpack(coded.codes, count);
    return (row) => coded.words[codes[row]];
  }

  /** Everything of the plan that the page needs, unpacked once. */
  class Plan {
    constructor(data) {
      Object.assign(this, data);
      this.posts = this.readPosts(data.posts);
      this.bays = this.readBays(data.bays);
      this.joinBays();
      this.lines = new geofence.Lines(data.lines, this.posts, this.bays);
      this.findings = this.readFindings(data.findings);
      this.metresPerWorldPixel = (40075016.686 / 256) * Math.cos((this.posts.latDeg.value(0) * Math.PI) / 180);
    }

    readPosts(packed) {
      const count = packed.count;
      const lonDeg = new Column(packed.lon_deg, count);
      const latDeg = new Column(packed.lat_deg, count);
      const x = new Float64Array(count);
      const y = new Float64Array(count);
      for (let row = 0; row < count; row++) [x[row], y[row]] = project(lonDeg.value(row), latDeg.value(row));
      return {
        count, x, y, lonDeg, latDeg,
        names: new Names(packed.names, count),
        kind: words(packed.kind, count),
        easting: new Column(packed.easting, count),
        northing: new Column(packed.northing, count),
        table: table(packed.table, count),
      };
    }

    readBays(packed) {
      const count = packed.count;
      const columns = table(packed.table, count);
      const kind = words(packed.kind, count);
      const gap = columns.gap_max_m.whole;
      const colour = new Uint8Array(count);
      const edges = this.gap_edges_mm;
      for (let row = 0; row < count; row++) {
        let place = edges.findIndex((edge) => gap[row] <= edge + 0.5);
        if (place < 0) place = edges.length - 1;
        colour[row] = kind(row) === "gate" ? geofence.style.GATE : place;
      }
      for (const row of packed.over_limit) colour[row] = geofence.style.OVER;
      return {
        count, kind, colour,
        names: new Names(packed.names, count),
        from: unpack(packed.from_post, count),
        to: unpack(packed.to_post, count),
        table: columns,
      };
    }

    readFindings(packed) {
      const text = (column, row) => packed.texts[packed[column][row]];
      return packed.severity.map((severity, row) => {
        const placed = packed.lon_deg[row] !== null;
        const [x, y] = placed ? project(packed.lon_deg[row], packed.lat_deg[row]) : [NaN, NaN];
        return {
          row, severity, word: this.severities[severity], placed, x, y,
          place: placed ? this.lines.runs[packed.run[row]].moved + packed.at_m[row] : NaN, // on the long-section's axis
          code: text("code", row),
          message: text("message", row),
          remedy: text("remedy", row),
          unit: text("unit", row),
          chainageM: packed.chainage_m[row],
          chainageToM: packed.chainage_to_m[row],
          post: packed.post[row],
          posts: packed.posts[row], // all that it concerns, where these may be several
          bay: packed.bay[row],
          line: packed.line ? text("line", row) : "",
          value: packed.value[row],
          limit: packed.limit[row],
        };
      });
    }

    /** The bay ahead of each post and the one behind it, -1 where a stretch of fence begins or ends. */
    joinBays() {
      const { posts, bays } = this;
      [posts.ahead, posts.behind] = [new Int32Array(posts.count).fill(-1), new Int32Array(posts.count).fill(-1)];
      for (let bay = 0; bay < bays.count; bay++) {
        // Where lines share a post, those of the line that it is named for.
        if (posts.ahead[bays.from[bay]] < 0) posts.ahead[bays.from[bay]] = bay;
        if (posts.behind[bays.to[bay]] < 0) posts.behind[bays.to[bay]] = bay;
      }
    }

    /** Findings of one post or bay. */
    findingsOf(part, row) {
      return this.findings.filter((finding) => finding[part] === row || (part === "post" && finding.posts.includes(row)));
    }

    latLng(x, y) {
      const latDeg = (Math.atan(Math.sinh(Math.PI * (1 - y / 128))) * 180) / Math.PI;
      return L.latLng(latDeg, (x / 256 - 0.5) * 360);
    }

    postPlace(row) {
      return this.latLng(this.posts.x[row], this.posts.y[row]);
    }

    bayPlace(row) {
      const { x, y } = this.posts;
      const [from, to] = [this.bays.from[row], this.bays.to[row]];
      return this.latLng((x[from] + x[to]) / 2, (y[from] + y[to]) / 2);
    }
  }

  Object.assign(geofence, { Plan, bearing, project, unpack });
})((window.geofence = window.geofence || {}));
