"""The style sheet of a report: readable from 400 pixels to paper (A4, Letter), nothing told by colour alone."""

from __future__ import annotations

STYLE = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 62rem; padding: 1rem; color: #111; background: #fff;
       font: 16px/1.45 system-ui, sans-serif; overflow-wrap: anywhere; }
h1 { margin: 0; font-size: 2rem; }
h2 { margin: 2rem 0 .5rem; font-size: 1.3rem; break-after: avoid; }
h3 { margin: 1rem 0 .25rem; font-size: 1.05rem; break-after: avoid; }
.result { font-size: 1.4rem; margin: .25rem 0 1rem; }
.loud { border: 3px solid #111; padding: .5rem .75rem; font-weight: 700; }
.wide { overflow-x: auto; margin-top: 2rem; }
table { border-collapse: collapse; width: 100%; font-size: .9rem; overflow-wrap: normal; }
.facts { overflow-wrap: anywhere; }
caption { text-align: left; font-weight: 700; padding: .25rem 0; }
th, td { text-align: left; vertical-align: top; padding: .2rem .5rem .2rem 0; border-bottom: 1px solid #bbb; }
.facts th { width: 11rem; font-weight: 400; color: #444; }
.number { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }
tr.failed td, tr.failed th { border-top: 2px solid #111; border-bottom: 2px solid #111; }
.place { display: block; }
.curves svg { width: 100%; height: auto; max-width: 46rem; }
.curves { break-inside: avoid; }
pre { white-space: pre-wrap; font-size: .8rem; border-left: 3px solid #bbb; padding-left: .75rem; }
summary { font-weight: 700; cursor: pointer; margin-top: .75rem; }
footer { margin-top: 2rem; color: #444; font-size: .85rem; }
.across { position: fixed; inset: 0; display: flex; align-items: center; justify-content: center; pointer-events: none;
          font-size: min(17vw, 11rem); font-weight: 800; color: rgba(0, 0, 0, .09); transform: rotate(-32deg);
          overflow-wrap: normal; z-index: 1; }
@page { margin: 15mm; }
@media print {
  body { max-width: none; padding: 0; font-size: 10pt; }
  tr { break-inside: avoid; }
  thead { display: table-header-group; }
  .wide { overflow: visible; }
  .wide table { font-size: 8pt; }
  .place { width: 90px; }
}
"""
