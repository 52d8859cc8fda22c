/* The lines of a plan: runs of posts and bays, and the long-section's own axis, on which one line follows another. */
(function (geofence) {
  "use strict";

  const GAP_SHARE = 0.02; // of all lines' length, between two of them on the section
  const LEAST_GAP_M = 4;

  /** The first place in a growing array whose number is over a bound. */
  function firstOver(numbers, bound, low = 0, high = numbers.length) {
    while (low < high) {
      const middle = (low + high) >> 1;
      if (numbers[middle] > bound) high = middle;
      else low = middle + 1;
    }
    return low;
  }

  class Lines {
    /** `packed` is what travels in the page; places on the axis are chainages plus what their line is moved by. */
    constructor(packed, posts, bays) {
      this.names = packed.names;
      this.several = packed.names.length > 1;
      this.runs = packed.runs.map((run) => this.readRun(run, posts.table.chainage_m));
      this.layOut();
      this.readPlaces(bays.count);
    }

    readRun(run, own) {
      const posts = geofence.unpack(run.posts, run.count);
      const chainageM = posts.map((post) => own.whole[post] / 1000);
      for (const [place, metres] of run.chainages) chainageM[place] = metres;
      return { ...run, name: this.names[run.line], posts, chainageM, startM: chainageM[0], endM: run.end_m };
    }

    /** One line after another, with a gap between. */
    layOut() {
      const total = this.runs.reduce((sum, run) => sum + run.endM - run.startM, 0);
      const gap = Math.max(LEAST_GAP_M, GAP_SHARE * total);
      this.spans = [];
      let moved = 0;
      for (const run of this.runs) {
        const last = this.spans[this.spans.length - 1];
        if (last && last.line !== run.line) moved = last.to + gap - run.startM;
        if (!last || last.line !== run.line) this.spans.push({ line: run.line, name: run.name, moved, from: moved + run.startM, to: 0 });
        this.spans[this.spans.length - 1].to = moved + run.endM;
        run.moved = moved;
      }
      this.lengthM = this.spans[this.spans.length - 1].to;
    }

    /** Where each bay begins and ends, and each post of each run stands, on the axis. */
    readPlaces(bays) {
      [this.bayFrom, this.bayTo] = [new Float64Array(bays), new Float64Array(bays)];
      const [posts, places] = [[], []];
      for (const run of this.runs) {
        for (let place = 0; place < run.count; place++) {
          posts.push(run.posts[place]);
          places.push(run.moved + run.chainageM[place]);
        }
        for (let bay = 0; bay < run.bays; bay++) {
          this.bayFrom[run.first_bay + bay] = run.moved + run.chainageM[bay];
          this.bayTo[run.first_bay + bay] = run.moved + (bay + 1 < run.count ? run.chainageM[bay + 1] : run.endM);
        }
      }
      [this.posts, this.places] = [Int32Array.from(posts), Float64Array.from(places)];
    }

    /** Every place of a post on the axis: more than one where lines share it. */
    placesOf(post) {
      const found = [];
      for (let at = 0; at < this.posts.length; at++) if (this.posts[at] === post) found.push(this.places[at]);
      return found;
    }

    /** The line at a place of the axis, null between two. */
    at(place) {
      const [slack] = [1e-6];
      return this.spans.find((span) => place >= span.from - slack && place <= span.to + slack) || null;
    }

    /** The bay at a place of the axis. */
    bayAt(place) {
      return Math.max(0, Math.min(firstOver(this.bayFrom, place + 1e-9) - 1, this.bayFrom.length - 1));
    }

    /** A place of the axis in words: its line, where there are several, and the chainage there. */
    text(place, decimals = 2) {
      const span = this.at(place);
      if (!span) return "";
      return `${this.several ? `${span.name} ` : ""}${geofence.station(Math.max(0, place - span.moved), decimals)}`;
    }

    /** The other lines that share a post, each with its chainage there. */
    met(post) {
      return this.placesOf(post).slice(1).map((place) => this.text(place));
    }

    /** The name of the line that a bay is of, or a post. */
    nameOf(part, row) {
      const run = this.runs.find((each) =>
        part === "bay" ? row >= each.first_bay && row < each.first_bay + each.bays : each.posts.includes(row));
      return run ? run.name : "";
    }
  }

  Object.assign(geofence, { Lines, firstOver });
})((window.geofence = window.geofence || {}));
