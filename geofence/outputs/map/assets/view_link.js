/* The view in the page's address: a link opens the same place, popup, layers and stretch of the section. */
(function (geofence) {
  "use strict";

  const WAIT_MS = 150;
  const byId = (id) => document.getElementById(id);
  const number = (value, digits) => String(Number(value.toFixed(digits)));

  /** The parts of an address, `#view=18.5/51.04/-1.81&open=P130&section=200-260&off=terrain`; null if it is another's. */
  function parse(hash) {
    const wanted = new URLSearchParams(hash.replace(/^#/, ""));
    const [zoom, lat, lng] = (wanted.get("view") || "").split("/").map(Number);
    if (![zoom, lat, lng].every(Number.isFinite) || Math.abs(lat) > 90 || lng === undefined) return null;
    const [from, to] = (wanted.get("section") || "").split("-").map(Number);
    return {
      zoom, lat, lng,
      open: wanted.get("open"),
      section: from >= 0 && to > from ? [from, to] : null,
      off: (wanted.get("off") || "").split(",").filter(Boolean),
    };
  }

  class ViewLink {
    constructor(page) {
      this.page = page;
      this.last = "";
      this.quiet = false;
      this.restore();
      page.map.on("moveend popupopen popupclose layeradd layerremove", () => this.soon());
      page.hand.section.onMoved = () => this.soon();
      window.addEventListener("hashchange", () => {
        if (window.location.hash !== this.last) this.restore();
      });
      byId("copy-link").addEventListener("click", () => this.copy());
    }

    text() {
      const { map, sheet, hand } = this.page;
      const { lat, lng } = map.getCenter();
      const parts = [`view=${number(map.getZoom(), 2)}/${number(lat, 7)}/${number(lng, 7)}`];
      const open = this.page.nameOfOpen();
      if (open) parts.push(`open=${encodeURIComponent(open)}`);
      const { from, to } = hand.section.view;
      if (to - from < hand.section.lengthM - 0.01) parts.push(`section=${number(from, 2)}-${number(to, 2)}`);
      const off = Object.keys(geofence.parts).filter((part) => !sheet.shown.has(part));
      if (off.length) parts.push(`off=${off.join(",")}`);
      return `#${parts.join("&")}`;
    }

    soon() {
      clearTimeout(this.timer);
      this.timer = setTimeout(() => this.write(), WAIT_MS);
    }

    write() {
      this.last = this.text();
      try {
        window.history.replaceState(null, "", this.last);
      } catch {
        // A page inside another, as in a notebook, has no address of its own.
      }
    }

    /** Shows what the address says; what it does not know of is left as it is. */
    restore() {
      const wanted = parse(window.location.hash);
      if (!wanted) return;
      const { page } = this;
      for (const [part, layer] of Object.entries(geofence.parts)) {
        if (wanted.off.includes(part)) page.map.removeLayer(layer);
        else page.map.addLayer(layer);
      }
      page.map.closePopup();
      if (wanted.open) page.openNamed(wanted.open);
      page.map.setView([wanted.lat, wanted.lng], wanted.zoom, { animate: false });
      if (wanted.section) page.hand.section.look(...wanted.section);
      else page.hand.section.look(0, page.hand.section.lengthM);
    }

    copy() {
      clearTimeout(this.timer);
      this.write();
      const answer = byId("goto-answer");
      const told = () => (answer.textContent = "The page's address is now a link to this view.");
      const done = () => (answer.textContent = "Copied: a link to this view.");
      if (navigator.clipboard) navigator.clipboard.writeText(window.location.href).then(done, told);
      else told();
    }
  }

  Object.assign(geofence, { ViewLink });
})((window.geofence = window.geofence || {}));
