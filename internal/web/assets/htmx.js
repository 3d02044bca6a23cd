// htmx as its extensions want it: under its own name, before they are loaded.
import htmx from "htmx.org/dist/htmx.esm.js";

globalThis.htmx = htmx;
export default htmx;
