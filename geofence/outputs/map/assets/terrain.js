/* The terrain picture under the plan. */
(function (geofence) {
  "use strict";

  class Terrain {
    /** `about`: the picture's box in world pixels (west, east, north, south), its opacity, what its legend says. */
    constructor(image, about) {
      Object.assign(this, about, { image });
    }

    /** Draws the part in view: a whole picture at zoom 24 would be millions of pixels wide. */
    draw(context, { scale, left, top, width, height }) {
      const { image, west, east, north, south } = this;
      if (!image.complete || !image.naturalWidth) return {};
      const [perX, perY] = [image.naturalWidth / (east - west), image.naturalHeight / (south - north)];
      const [fromX, toX] = seen((left / scale - west) * perX, (width / scale) * perX, image.naturalWidth);
      const [fromY, toY] = seen((top / scale - north) * perY, (height / scale) * perY, image.naturalHeight);
      if (toX <= fromX || toY <= fromY) return {};
      context.globalAlpha = this.opacity;
      context.imageSmoothingEnabled = true;
      context.imageSmoothingQuality = "medium";
      context.drawImage(
        image, fromX, fromY, toX - fromX, toY - fromY,
        (west + fromX / perX) * scale - left, (north + fromY / perY) * scale - top,
        ((toX - fromX) / perX) * scale, ((toY - fromY) / perY) * scale,
      );
      context.globalAlpha = 1;
      return {};
    }
  }

  /** The picture's whole pixels from a place on, with one more at each end, kept within it. */
  function seen(from, count, all) {
    return [Math.max(0, Math.floor(from) - 1), Math.min(all, Math.ceil(from + count) + 1)];
  }

  Object.assign(geofence, { Terrain });
})((window.geofence = window.geofence || {}));
