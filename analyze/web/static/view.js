// A picture on a canvas that can be moved and zoomed: places of the screen to places of the picture and back.
const MOST = 40;

export class View {
  constructor(canvas) {
    this.canvas = canvas;
    this.left = 0;
    this.top = 0;
    this.zoom = 1;
    this.size = [1, 1];
  }

  /** Canvas pixels for each pixel of the screen. */
  get sharp() {
    return window.devicePixelRatio || 1;
  }

  /** Fit the canvas to its place on the page. */
  resize() {
    const box = this.canvas.getBoundingClientRect();
    this.canvas.width = Math.round(box.width * this.sharp);
    this.canvas.height = Math.round(box.height * this.sharp);
  }

  /** Show the whole picture. */
  whole() {
    const [width, height] = this.size;
    this.zoom = Math.min(this.canvas.width / width, this.canvas.height / height);
    this.left = (width - this.canvas.width / this.zoom) / 2;
    this.top = (height - this.canvas.height / this.zoom) / 2;
  }

  /** Place in the picture of a place on the page; (0, 0) is the middle of the first pixel. */
  picture(x, y) {
    const box = this.canvas.getBoundingClientRect();
    return [
      this.left + ((x - box.left) * this.sharp) / this.zoom - 0.5,
      this.top + ((y - box.top) * this.sharp) / this.zoom - 0.5,
    ];
  }

  /** Place on the canvas of a place in the picture. */
  canvasPlace([u, v]) {
    return [(u + 0.5 - this.left) * this.zoom, (v + 0.5 - this.top) * this.zoom];
  }

  /** Zoom, keeping what lies under a place of the page where it is. */
  zoomAt(x, y, factor) {
    const [u, v] = this.picture(x, y);
    const least = Math.min(this.canvas.width / this.size[0], this.canvas.height / this.size[1]) * 0.8;
    const zoom = Math.min(Math.max(this.zoom * factor, least), MOST);
    this.left = u + 0.5 - ((u + 0.5 - this.left) * this.zoom) / zoom;
    this.top = v + 0.5 - ((v + 0.5 - this.top) * this.zoom) / zoom;
    this.zoom = zoom;
  }

  /** Move the picture by pixels of the page. */
  move(dx, dy) {
    this.left -= (dx * this.sharp) / this.zoom;
    this.top -= (dy * this.sharp) / this.zoom;
  }

  /** Bring a place of the picture into the middle, enlarged at least so much. */
  goTo([u, v], least) {
    this.zoom = Math.max(this.zoom, least * this.sharp);
    this.left = u + 0.5 - this.canvas.width / this.zoom / 2;
    this.top = v + 0.5 - this.canvas.height / this.zoom / 2;
  }
}
