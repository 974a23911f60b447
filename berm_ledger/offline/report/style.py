# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""How the page looks, on screen and on paper; no file, font or picture from elsewhere."""

CSS = """
body { font-family: "Helvetica Neue", Arial, "Liberation Sans", "DejaVu Sans", sans-serif;
  font-size: 10.5pt; line-height: 1.4; color: #000; background: #fff; max-width: 52rem;
  margin: 1.5rem auto; padding: 0 1rem; }
h1 { font-size: 19pt; margin: 1.1rem 0 0.4rem; }
h2 { font-size: 13pt; margin: 2rem 0 0.6rem; padding-bottom: 0.15rem;
  border-bottom: 1.5pt solid #000; break-after: avoid; }
h3 { font-size: 11pt; margin: 1.3rem 0 0.4rem; break-after: avoid; }
p { margin: 0.4rem 0; }
.verdict { border: 2pt solid #000; padding: 0.6rem 0.9rem; margin: 0; }
.verdict b { display: block; font-size: 15pt; letter-spacing: 0.01em; }
.pass { border-style: solid; border-left: 9pt solid #009E73; }
.fail { border-style: double; border-width: 4pt; border-left: 9pt solid #D55E00; }
table { border-collapse: collapse; width: 100%; margin: 0.7rem 0 1.1rem; font-size: 9pt;
  font-variant-numeric: tabular-nums; }
caption { text-align: left; font-weight: bold; padding-bottom: 0.25rem; break-after: avoid; }
th, td { padding: 0.16rem 0.4rem; text-align: left; vertical-align: top;
  border-bottom: 0.5pt solid #999; }
thead th { border-bottom: 1pt solid #000; border-top: 1pt solid #000; vertical-align: bottom; }
tbody tr:last-child > * { border-bottom: 1pt solid #000; }
tbody th { font-weight: normal; }
.n { text-align: right; }
td.n, .t { white-space: nowrap; }
.whole { break-inside: avoid; }
.wide { font-size: 8.5pt; }
.wide th, .wide td { padding-left: 0.25rem; padding-right: 0.25rem; }
.title th { width: 11rem; color: #333; }
figure { margin: 1rem 0 1.4rem; break-inside: avoid; text-align: center; }
figure img { max-width: 100%; height: auto; }
figcaption { text-align: left; font-size: 9pt; margin-top: 0.4rem; }
pre { font-family: "DejaVu Sans Mono", "Liberation Mono", monospace; font-size: 7.5pt;
  line-height: 1.3; white-space: pre-wrap; overflow-wrap: anywhere; border: 0.5pt solid #999;
  padding: 0.5rem; }
code { font-family: "DejaVu Sans Mono", "Liberation Mono", monospace; font-size: 8pt;
  overflow-wrap: anywhere; }
li { margin: 0.15rem 0; }
ul { padding-left: 1.2rem; }
.formula { margin: 0.3rem 0 0.3rem 1.5rem; }
.sign td, .sign th { height: 2.6rem; width: 25%; vertical-align: bottom; }
tr { break-inside: avoid; }
@page { size: A4; margin: 16mm 15mm 18mm; }
@media print { body { max-width: none; margin: 0; padding: 0; font-size: 9.5pt; }
  table { font-size: 8.5pt; } th, td { padding-top: 0.07rem; padding-bottom: 0.07rem; }
  .wide { font-size: 8pt; } h1 { margin-top: 0.7rem; }
  thead { display: table-header-group; } h2 { margin-top: 1.2rem; } }
"""
