"""Paper and ink: the colours and styles of every page and badge. Light, dark, print and phone.

One accent for the candidate, one for what is out of tolerance; they differ in lightness as well as in hue, and no
state is told by colour alone. Golden lines are golden, wide and pale.
"""

from __future__ import annotations

_LIGHT = (
    "--paper:#faf7ef;--ink:#1f1c18;--soft:#665f54;--line:#cfc7b6;--golden:#d9c27e;--band:#f0e6c9;"
    "--build:#123f66;--out:#b5390f;--wash:#f2ecdf"
)
_DARK = (
    "--paper:#191714;--ink:#ece6da;--soft:#a79e8f;--line:#4b453c;--golden:#85702f;--band:#352d19;"
    "--build:#a9d2f3;--out:#ff8f5e;--wash:#24211c"
)

INK_AND_PAPER = (
    f":root{{color-scheme:light dark;{_LIGHT}}}@media (prefers-color-scheme:dark){{:root{{{_DARK}}}}}"
    f"@media print{{:root{{{_LIGHT};--paper:#fff}}}}"
)

RULER_STYLE = (
    ".rule,.empty{fill:none;stroke:var(--ink);stroke-width:1.2}.empty{stroke-dasharray:2 3}"
    ".bar{stroke:var(--build);stroke-width:6;fill:none;opacity:.4}"
    ".hatch{fill:none;stroke:var(--ink);stroke-width:1}"
    ".mark{fill:var(--build);stroke:var(--paper);stroke-width:1}"
    ".mark.fail{fill:var(--out);stroke:none}.mark.unsure{fill:var(--paper);stroke:var(--ink);stroke-width:1.6}"
    ".sign{font:bold 14px Georgia,serif;fill:var(--ink)}.sign.fail{fill:var(--out)}.sign.pass{fill:var(--build)}"
)

CHART_STYLE = """
.chart{display:block;width:100%;height:auto;font:12px system-ui,sans-serif;font-variant-numeric:tabular-nums}
.chart text{fill:var(--soft)}
.chart .strong{fill:var(--ink);font-weight:600}
.chart .small{font-size:10px;stroke:var(--paper);stroke-width:2.5;paint-order:stroke}
.chart .axis{fill:none;stroke:var(--soft);stroke-width:1}
.chart .grid{fill:none;stroke:var(--line);stroke-width:.6}
.chart .band{fill:var(--band);stroke:none}
.chart .golden{fill:none;stroke:var(--golden);stroke-width:5;stroke-linejoin:round;stroke-linecap:round}
.chart .slim{stroke-width:2}
.chart .build{fill:none;stroke:var(--build);stroke-width:1.3;stroke-linejoin:round}
.chart .astray{fill:none;stroke:var(--out);stroke-width:2.6;stroke-linejoin:round;stroke-linecap:round}
.chart .cut{fill:var(--out);stroke:none}
.chart .dot{fill:var(--build)}
.chart .dot.astray{fill:var(--out);stroke:none}
.chart .halo{fill:none;stroke:var(--paper);stroke-width:3.5;opacity:.75}
.chart .ink{fill:var(--ink)}
.chart .tie{stroke:var(--line);stroke-width:.8;stroke-dasharray:1 2}
"""

PAGE_STYLE = """
*{box-sizing:border-box}
html{background:var(--paper);color:var(--ink);-webkit-text-size-adjust:100%}
body{margin:0 auto;padding:1.5rem clamp(1rem,4vw,3rem) 4rem;max-width:88rem;
 font:1rem/1.5 system-ui,"Segoe UI",Roboto,"Noto Sans","DejaVu Sans",sans-serif;
 overflow-wrap:anywhere}
h1,h2,h3,.said{font-family:"Iowan Old Style",Charter,"Palatino Linotype",Georgia,"DejaVu Serif",serif}
h1{font-size:1.05rem;font-weight:400;color:var(--soft);margin:0 0 1.2rem}
h1 b{color:var(--ink)}
h2{font-size:1.5rem;margin:0;font-weight:600}
h2 .quiet{font:.875rem system-ui,sans-serif;margin-left:.6em}
h3{font-size:1.05rem;margin:1.4rem 0 .2rem;font-weight:600}
a{color:inherit;text-decoration-color:var(--soft);text-underline-offset:.2em}
a:focus-visible,summary:focus-visible,[tabindex]:focus-visible{outline:2px solid var(--build);outline-offset:2px}
.skip{position:absolute;left:-99rem}
.skip:focus{left:1rem;top:.5rem;background:var(--paper);padding:.3rem .6rem}
.said{font-size:clamp(1.25rem,1rem + 1.3vw,1.8rem);line-height:1.35;max-width:44em;margin:0 0 .7em}
.said+.said{font-size:1.15rem}
.key,.quiet,caption,figcaption{color:var(--soft);font-size:.875rem}
.key{display:flex;flex-wrap:wrap;gap:.3rem 1.6rem;margin:1.5rem 0 .5rem;padding:0;list-style:none}
.key li{display:flex;align-items:center;gap:.5rem}
.key .ruler{width:7rem}
caption{text-align:left;padding:0 0 .4rem}
table{border-collapse:collapse;font-variant-numeric:tabular-nums}
th{font-weight:600;text-align:left}
.ruler{width:10rem;max-width:100%;height:auto;overflow:visible;display:inline-block;vertical-align:middle}
.overview{width:100%;margin:.5rem 0 3rem;table-layout:fixed}
.overview thead th{color:var(--soft);font-weight:400;padding:.3rem .8rem .3rem 0;border-bottom:1px solid var(--ink)}
.overview td,.overview tbody th{vertical-align:top;padding:.8rem .8rem .8rem 0;border-bottom:1px solid var(--line)}
.overview td a{display:block;text-decoration:none}
.overview td a:hover .word{text-decoration:underline}
.overview .told{display:block;margin-top:.15rem}
.overview .title,.overview .where{display:block;color:var(--soft);font-size:.8125rem;font-weight:400;line-height:1.35}
.word{font-weight:600}
.fail .word,.word.fail{color:var(--out);font-weight:700;text-transform:uppercase;font-size:.875em;letter-spacing:.06em}
.unsure .word,.word.unsure{font-style:italic;text-decoration:underline dashed 1px;text-underline-offset:.2em}
.pass .word,.word.pass{font-weight:400}
.not-asked .word,.word.not-asked{font-weight:400;color:var(--soft)}
section.reference{border-top:3px double var(--ink);padding-top:1.2rem;margin-top:2.5rem}
.reference>.said{font-size:1.15rem;margin:.6rem 0 0}
.why{margin:0;padding:0;list-style:none;max-width:60rem;font-size:.9375rem}
.why li{padding-left:1.3em;text-indent:-1.3em}
.checks{margin:1.2rem 0 1.6rem}
.check-row{display:grid;grid-template-columns:8rem 9rem 11rem 1fr;gap:0 1rem;
 padding:.45rem 0;border-top:1px solid var(--line)}
.check-row h3{margin:0}
.check-row .ruler{width:9rem}
.check-row:target{background:var(--wash)}
.plate{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,22rem),1fr));gap:1.6rem 2rem;
 margin:.8rem 0 1.2rem}
figure{margin:0;max-width:34rem}
figure.tall{grid-row:span 2}
figcaption{margin-top:.3rem;max-width:34em}
summary{cursor:pointer;padding:.4rem 0}
.scroll{overflow-x:auto}
.findings{font-size:.875rem;margin:.3rem 0 0}
.findings th,.findings td{padding:.15rem 1rem .15rem 0;white-space:nowrap;border-bottom:1px solid var(--line)}
.findings thead th{color:var(--soft);font-weight:400;border-bottom:1px solid var(--ink)}
.findings tbody th{font-weight:400;text-align:left}
.findings .n{text-align:right;white-space:pre}
.findings .ruler{width:8rem}
.findings .note{white-space:normal;min-width:16rem}
.figures{font-size:.8125rem;margin:.2rem 0 .8rem}
.figures th,.figures td{padding:.1rem 1rem .1rem 0;border-bottom:1px solid var(--line)}
.figures thead th{color:var(--soft);font-weight:400;border-bottom:1px solid var(--ink);vertical-align:bottom}
.figures tbody th{font-weight:400;white-space:nowrap}
.figures .n{text-align:right;white-space:pre}
.figures thead .n{white-space:normal}
figure summary{color:var(--soft);font-size:.875rem}
.cells{margin:0 0 1.2rem}
.cells th,.cells td{padding:.3rem 1.6rem .3rem 0;white-space:nowrap;border-bottom:1px solid var(--line);
 vertical-align:middle}
.cells thead th{color:var(--soft);font-weight:400;border-bottom:1px solid var(--ink)}
.cells tbody th{font-weight:400}
.cells .ruler{width:6rem;margin-right:.5rem}
.u{font-variant-caps:normal;color:var(--soft)}
.why code{font:inherit;background:none;padding:0}
code{font-family:ui-monospace,"DejaVu Sans Mono",monospace;font-size:.9em;background:var(--wash);padding:.1em .35em;
 white-space:nowrap;text-indent:0}
footer{border-top:3px double var(--ink);margin-top:3rem;padding-top:1rem}
footer dl{display:grid;grid-template-columns:max-content 1fr;gap:.2rem 1.2rem;margin:0}
footer dt{color:var(--soft)}
footer dd{margin:0}
.overview .check{display:none}
@media screen and (max-width:56rem){
.overview .check{display:block}
.overview,.overview caption,.overview tbody,.overview tr,.overview td,.overview tbody th{display:block;width:auto}
.overview thead{position:absolute;left:-99rem}
.overview tr{border-bottom:1px solid var(--ink);padding:.8rem 0}
.overview td,.overview tbody th{border:0;padding:.25rem 0}
.overview td a,.overview td .blank{display:grid;grid-template-columns:7rem 1fr;gap:0 .8rem}
.overview td .check{color:var(--soft)}
.overview td .where{grid-column:2}
.overview td .ruler{grid-column:2}
.overview td .told{grid-column:2}
}
@media screen and (max-width:56rem){
.check-row{grid-template-columns:8rem 1fr}
.check-row .told,.check-row .why{grid-column:1/-1}
}
@media screen and (max-width:40rem){.cells th,.cells td{padding-right:.8rem}.cells .ruler{display:none}}
@media screen and (max-width:30rem){.chart{font-size:14px}.chart .small{font-size:12px}}
@media (max-width:30rem){footer dl{grid-template-columns:1fr}footer dd{margin-bottom:.5rem}}
@media print{
@page{margin:15mm}
body{max-width:none;padding:0;font-size:9.5pt}
.skip{display:none}
.said{font-size:14pt}.said+.said,.reference>.said{font-size:11pt}
.overview{font-size:8.5pt}
.overview .title,.overview .where,.why,.findings,.key,.quiet,caption,figcaption{font-size:8pt}
.overview .ruler,.findings .ruler{width:2.7cm}
.cells{font-size:8pt}
.cells .ruler{width:1.8cm}
.check-row{grid-template-columns:2.6cm 3.2cm 3cm 1fr;break-inside:avoid}
.check-row h3{font-size:9.5pt}
.check-row .ruler{width:3cm}
.findings th,.findings td{padding-right:.4rem}
.findings th{white-space:normal}
.plate{grid-template-columns:repeat(3,1fr);gap:1rem}
figure,.overview tr,.why li{break-inside:avoid}
h2,h3{break-after:avoid}
a{text-decoration:none}
}
"""

BOARD_STYLE = """
.checks h2{font-size:1.05rem;margin:0 0 .4rem}
header h1 .quiet{font-size:.875rem;margin-left:.4em}
.way{display:flex;flex-wrap:wrap;gap:.2rem 2rem;font-size:.875rem;color:var(--soft);margin:0 0 1.2rem}
.overview tbody tr.cell th,.overview tbody tr.cell td{border:0;padding:.15rem .8rem .15rem 0;font-weight:400;
 font-size:.8125rem;vertical-align:middle}
.overview tbody tr.cell th{padding-left:1rem}
.overview tbody:has(.cell) tr:not(.cell) :is(th,td){border-bottom:0;padding-bottom:.3rem}
.overview tbody:has(.cell) tr:last-child :is(th,td){border-bottom:1px solid var(--line);padding-bottom:.7rem}
.overview tr.cell .ruler{width:5rem;margin-right:.4rem}
.told .more{display:block;font-size:.8125rem;color:var(--soft)}
.findings tr:target,.findings tr:focus{background:var(--wash)}
.history{margin-top:3rem}
.find{display:flex;flex-wrap:wrap;gap:.4rem 1.2rem;align-items:baseline;margin:1.5rem 0 0;font-size:.9375rem}
.find input,.find select{font:inherit;color:inherit;background:var(--paper);border:1px solid var(--soft);
 padding:.25rem .5rem;max-width:100%}
.find :focus-visible{outline:2px solid var(--build);outline-offset:2px}
@media print{.way,.find,.told .more{display:none}}
@media screen and (max-width:56rem){
.overview tr.cell{border:0;padding:.3rem 0}
.overview tr.cell th{padding-left:0}
.overview tr.cell td{display:flex;gap:.8rem}
.overview tr.cell td.absent{display:none}
.overview tr.cell td .check{flex:0 0 7rem}
}
"""
