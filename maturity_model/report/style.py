"""Colours and the style sheet of the pages.

The colours of the phases follow viridis (dark is late), so they also differ in lightness;
everything they tell is told by position and label as well. Contrasts are checked in
``tests/report/test_style.py`` against WCAG 2.2, 1.4.3 and 1.4.11.
"""

from __future__ import annotations

#: Light and dark values of each custom property.
PALETTE: dict[str, tuple[str, str]] = {
    "bg": ("#ffffff", "#14181b"),
    "card": ("#f5f7f7", "#1d2327"),
    "ink": ("#1b2327", "#e6eaeb"),
    "soft": ("#4f5b61", "#a9b4b9"),
    "line": ("#d3dadc", "#384247"),
    "edge": ("#7b878c", "#7d8a90"),
    "link": ("#0a5a73", "#7cc7dd"),
    "alarm": ("#8f1d14", "#ffb4a8"),
    "alarm-bg": ("#fdeeeb", "#3a1a16"),
    "care": ("#6b4a00", "#f0c768"),
    "care-bg": ("#fdf5e0", "#332812"),
    "on-early": ("#14181b", "#14181b"),
    "on-late": ("#ffffff", "#14181b"),
    "p0": ("#f0d95c", "#f0d95c"),
    "p1": ("#5cb87a", "#5cb87a"),
    "p2": ("#2c7c90", "#4a9ab0"),
    "p3": ("#3c3878", "#857fd3"),
}


def _properties(scheme: int) -> str:
    return "".join(f"--{name}:{pair[scheme]};" for name, pair in PALETTE.items())


_BASE = """
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%;text-size-adjust:100%}
body{margin:0 auto;max-width:60rem;padding:0 1rem 3rem;background:var(--bg);color:var(--ink);
font:1rem/1.5 system-ui,-apple-system,"Segoe UI",Roboto,"Noto Sans",sans-serif;
overflow-wrap:break-word}
a{color:var(--link)}
:focus-visible{outline:2px solid var(--link);outline-offset:2px}
.skip{position:absolute;left:-99rem}
.away{position:absolute;width:1px;height:1px;overflow:hidden;clip-path:inset(50%);white-space:nowrap}
.skip:focus{left:1rem;top:.5rem;padding:.3rem .6rem;background:var(--bg);z-index:1}
header{padding:1.25rem 0 .25rem}
header p{margin:.1rem 0;color:var(--soft)}
h1{font-size:1.6rem;line-height:1.2;margin:.15rem 0;font-weight:650}
h2{font-size:1.1rem;line-height:1.3;margin:0 0 .5rem;font-weight:650}
h3{font-size:1rem;margin:1.1rem 0 .3rem;font-weight:600}
p,ul,dl,figure{margin:.4rem 0 .7rem}
ul{padding-left:1.15rem}
li{margin:.2rem 0}
section{margin:1.6rem 0 0;padding:1.1rem 0 0;border-top:1px solid var(--line)}
.soft,small,figcaption{color:var(--soft)}
small,figcaption,.small{font-size:.875rem}
figcaption{margin:0 0 .6rem}
.num{font-variant-numeric:tabular-nums}
nav{font-size:.875rem}
/* the answer */
#reach{border:0;margin-top:.5rem;padding-top:0}
#reach h2,#now h2{font-size:.875rem;font-weight:600;color:var(--soft);margin:0 0 .15rem}
#reach p{margin:.1rem 0;font-size:.9375rem}
#now{margin-top:.8rem;padding:.9rem 1rem;border:1px solid var(--line);border-radius:.5rem;
background:var(--card)}
.answer{font-size:1.125rem;line-height:1.35;margin:.1rem 0 .6rem;text-wrap:pretty}
.answer strong{font-size:1.375rem;font-weight:650}
.risk{margin:.6rem 0 .1rem;font-size:.9375rem}
.given{margin:.6rem 0 0;font-size:.875rem;color:var(--soft)}
.slip{margin:0 0 .7rem;padding:0;list-style:none;font-size:.9375rem}
.slip li{margin:0}
.slip b{font-weight:600}
.bars{border-collapse:collapse;width:100%;margin:.2rem 0}
.bars th,.bars td{border:0;padding:.05rem 0 .05rem .8rem;white-space:nowrap;font-size:.9375rem}
.bars thead th{font-size:.8125rem;font-weight:400;color:var(--soft)}
.bars td,.bars thead th{text-align:right}
.bars th[scope=row],.bars thead th:first-child{text-align:left;font-weight:400;padding-left:0}
.bars th svg{margin-right:.3rem;vertical-align:-.05em}
.bars .now th,.bars .now td{font-weight:650}
.bars .bar{width:55%;min-width:4rem}
.bars .bar{vertical-align:middle}.bars .bar svg{display:block}
.urgent{margin:.5rem 0;padding:.5rem .8rem;border-left:.3rem solid var(--alarm);
background:var(--alarm-bg);color:var(--alarm)}
.urgent a{color:inherit}
.caution{margin:.6rem 0;padding:.55rem .8rem;border-left:.3rem solid var(--care);
background:var(--care-bg)}
.caution.urgent{border-color:var(--alarm);background:var(--alarm-bg);color:var(--ink)}
.caution h3{margin:0 0 .15rem;color:var(--care)}
.caution.urgent h3{color:var(--alarm)}
.caution p{margin:.15rem 0}
/* tables */
table{border-collapse:collapse;font-size:.875rem;font-variant-numeric:tabular-nums}
caption{text-align:left;color:var(--soft);padding:.3rem 0}
th,td{text-align:left;vertical-align:top;padding:.2rem .8rem .2rem 0;
border-bottom:1px solid var(--line)}
thead th{font-weight:600}
tbody th{font-weight:400}
.scroll{overflow-x:auto;max-width:100%}
details{margin:.3rem 0 .6rem}
summary{cursor:pointer;color:var(--link);font-size:.875rem;padding:.25rem 0;width:fit-content}
dl div{display:grid;grid-template-columns:12.5rem 1fr;gap:0 1rem;padding:.25rem 0;
border-bottom:1px solid var(--line)}
dt{color:var(--soft)}
dd{margin:0;min-width:0;overflow-wrap:anywhere}
.problems{list-style:none;padding:0}
.problems li{padding:.4rem 0;border-bottom:1px solid var(--line)}
.problems b{font-weight:600}
.tag{display:inline-block;font-size:.8125rem;border:1px solid var(--edge);border-radius:.25rem;
padding:0 .35rem;margin-right:.35rem;color:var(--soft)}
code{font-family:ui-monospace,"Cascadia Mono",Menlo,Consolas,monospace;font-size:.875em;
overflow-wrap:anywhere}
/* figures */
svg{overflow:visible;fill:none;stroke:none}
svg text{fill:var(--soft);font-size:11px}
.legend{list-style:none;display:flex;flex-wrap:wrap;gap:.15rem 1rem;padding:0;margin:.3rem 0;
font-size:.875rem}
.legend li{display:flex;align-items:center;gap:.4rem;margin:0}
.legend svg{flex:none}
.plot{padding:.4rem 3.4rem 0 2.4rem}
.plot svg{display:block}
.e{text-anchor:end}.m{text-anchor:middle}
.f0{fill:var(--p0)}.f1{fill:var(--p1)}.f2{fill:var(--p2)}.f3{fill:var(--p3)}
.ns{vector-effect:non-scaling-stroke}
.area path{stroke:var(--bg);stroke-width:1.5px;vector-effect:non-scaling-stroke}
.frame{stroke:var(--edge);stroke-width:1px}
.rule{stroke:var(--line);stroke-width:1px}
.cut{stroke:var(--ink);stroke-width:1px;stroke-dasharray:3 3}
svg .in0,svg .in1,svg .in2,svg .in3{font-size:13px;font-weight:600;fill:var(--on-early)}
svg .in2,svg .in3{fill:var(--on-late)}
svg .strong{fill:var(--ink);font-weight:600}
.mark{fill:var(--ink);stroke:var(--ink);stroke-width:1.2px}
.open{stroke:var(--ink);stroke-width:1.6px}
.tick{stroke:var(--ink);stroke-width:1.5px}
.grid{display:flex}
.grid>svg{flex:none}
.grid .scroll{direction:rtl;flex:1;min-width:0}
.grid .scroll svg{direction:ltr;display:block}
.dot{stroke-linecap:round;vector-effect:non-scaling-stroke}
.seen{stroke:var(--ink);stroke-width:11px}
.not{stroke:var(--ink);stroke-width:10px}
.hole{stroke:var(--bg);stroke-width:6.6px}
.un{stroke:var(--edge);stroke-width:2.4px}
svg .row{fill:var(--ink);font-size:13px}
svg .group{font-size:12px;font-weight:600}
.panels{display:grid;grid-template-columns:repeat(auto-fill,minmax(min(16rem,100%),1fr));
gap:.4rem 1.6rem}
.panels figure{margin:.3rem 0;min-width:0}
.panels h3{margin:0;font-size:.9375rem}
.panel{padding:.3rem .4rem 0 2.4rem}
.panel svg{display:block}
.span{stroke:var(--link);stroke-width:4px;vector-effect:non-scaling-stroke}
.arrow{fill:var(--link)}
footer{margin-top:2rem;padding-top:1rem;border-top:1px solid var(--line);font-size:.875rem;
color:var(--soft)}
footer h2{color:var(--ink)}
/* all tanks */
.tanks{list-style:none;padding:0}
.tanks>li{margin:0 0 .8rem;padding:.8rem 1rem;border:1px solid var(--line);border-radius:.5rem;
display:grid;grid-template-columns:minmax(0,8fr) minmax(0,17fr);gap:.3rem 1.5rem}
.tanks h3{margin:0;font-size:1.125rem}
.tanks p{margin:.1rem 0}
.tanks .urgent{grid-column:1/-1;margin:.2rem 0 0}
.tanks svg{display:block;margin:.3rem 0}
@media (max-width:40rem){
dl div{grid-template-columns:1fr}
.tanks>li{grid-template-columns:minmax(0,1fr)}
.bars .bar{width:35%;min-width:3rem}
.answer{font-size:1.0625rem}.answer strong{font-size:1.1875rem}
#now{padding:.7rem .8rem}
.bars .range{display:none}
.panels{grid-template-columns:repeat(2,minmax(0,1fr));gap:.4rem 1rem}
.panels>div:has(details[open]){grid-column:1/-1}
h1{font-size:1.4rem}
header{padding-top:.6rem}
section{margin-top:1.1rem;padding-top:.8rem}
}
"""

_PRINT = """
@page{size:A4;margin:12mm 13mm}
@media print{
body{max-width:none;padding:0;font-size:11pt;line-height:1.3;background:none;zoom:.77}
svg text{font-size:12.5px}svg .row,svg .group{font-size:13.5px}
.plot{padding:.4rem 4rem 0 3.1rem}
.skip,nav,details:not([open]){display:none}
header{padding:0}
h1{font-size:17pt}h2{font-size:12.5pt;margin:0 0 .2rem;break-after:avoid}
#reach h2,#now h2{font-size:10pt}h3{break-after:avoid}
.answer{font-size:12pt}.answer strong{font-size:15pt}
.risk{font-size:10pt}
#now{padding:.4rem .7rem}.bars .bar{width:60%}
#sure dl,#provenance dl,footer ul{columns:2;column-gap:1.5rem}
dl div,footer li{break-inside:avoid}
dl div{grid-template-columns:6.5rem 1fr}
#now,.caution,.urgent,.caution.urgent{background:none}
section{margin-top:.6rem;padding-top:.45rem}
figure,.caution,tr,.problems li,.tanks>li{break-inside:avoid}
p,ul,dl,figure{margin:.2rem 0 .35rem}
li{margin:.05rem 0}
.grid .scroll{overflow:hidden}
.grid .scroll svg.weeks{min-width:0}
.panels{grid-template-columns:repeat(4,1fr);gap:.2rem 1rem}
.panels h3,.panels figcaption{font-size:9.5pt}
.panel{padding-left:1.9rem}
small,figcaption,.small,.given,.slip,table,footer,dl,.legend,#reach p,.bars th,.bars td,
.caution p{font-size:10pt}
dl div{padding:.05rem 0}
footer{margin-top:.6rem;padding-top:.4rem}
a{color:inherit;text-decoration:none}
.dot.seen{stroke-width:7px}.dot.not{stroke-width:6.6px}.dot.hole{stroke-width:4px}
.dot.un{stroke-width:1.8px}
}
"""

#: Only for pages with questions.
QUESTIONS_CSS = """.next{margin:.1rem 0 .6rem;font-size:1rem}
.alarm{margin:.5rem 0}
.alarm.urgent{font-size:.9375rem}
.asked{display:grid;grid-template-columns:repeat(2,minmax(0,1fr));gap:0 2rem;align-items:start}
.asked table{width:100%}
.asked td,.asked th{padding-right:.5rem}
.asked td{white-space:nowrap}
.asked h3{margin:.5rem 0 .1rem;font-size:.9375rem}
.asked p,.asked li{font-size:.9375rem}
.asked .small{font-size:.875rem}
.rules table{width:100%}
.rules th[scope=row]{width:16%}
.rules td:nth-child(2){width:11%;white-space:nowrap}
.rules td:nth-child(3){width:31%}
.rules svg,#do p svg{vertical-align:-.1em}
.rules th,.rules td{overflow-wrap:anywhere}
.dots{padding:.3rem .2rem 0}
.dots svg{display:block}
.qdot{fill:var(--link)}
.tanks .alarm{grid-column:1/-1;margin:.2rem 0 0}
@media screen and (max-width:48rem){
.asked{grid-template-columns:minmax(0,1fr)}
.asked td,.asked th{padding-right:.35rem;font-size:.8125rem}
.rules thead{display:none}
.rules tr{display:grid;grid-template-columns:1fr auto;gap:0 .8rem;padding:.4rem 0;
border-bottom:1px solid var(--line)}
.rules th,.rules td{border:0;padding:0}
.rules th[scope=row],.rules td:nth-child(2),.rules td:nth-child(3){width:auto}
.rules td:nth-child(3),.rules td:nth-child(4){grid-column:1/-1}
}
@page{size:A4;margin:10mm 12mm}
@media print{
body{zoom:.76}
.asked{display:block;columns:2;column-gap:1.4rem}
.asked section,.rules tr{break-inside:avoid}
.asked section{border:0;padding:0;margin:.3rem 0 0}
.asked h2{font-size:11pt;border-top:1px solid var(--line);padding-top:.2rem}
.asked h3{margin:.1rem 0 0;font-size:9.5pt}
.asked p,.asked li,.asked .small,.next,.rules td,.rules th,.asked td,.asked th,#do p,#surprises p,
#change li{font-size:9.5pt;line-height:1.25}
.asked small,.rules small{font-size:inherit}
.asked td,.asked th,.rules td,.rules th{padding-top:0;padding-bottom:0}
.asked caption,.rules caption{display:none}
#problems:not(:has(li)) :is(h2,p),#cautions:not(:has(.caution)) :is(h2,p),#reach :is(h2,p){
display:inline;margin:0 .5rem 0 0}
#history{float:left;width:46%}
#signs{margin-left:48%}
#readings{clear:both}
#sure dl,#provenance dl,footer ul{columns:3;column-gap:1.1rem}
#sure dl div,#provenance dl div{display:block;border:0;line-height:1.25}
#sure dt,#sure dd,#provenance dt,#provenance dd{display:inline}
#sure dt::after,#provenance dt::after{content:": "}
#sure p,#sure li,footer li{font-size:9pt;line-height:1.25}
section,footer{margin-top:.4rem;padding-top:.3rem}
#sure dl,#provenance dl,footer ul,.problems{font-size:9pt}
.panels figcaption{display:none}
.panels{grid-template-columns:repeat(8,1fr)}
.panels h3{font-size:8.5pt;line-height:1.15;min-height:2.3em}
}
"""

#: The whole style sheet. Printing always uses the light colours.
CSS = (
    f":root{{color-scheme:light dark;{_properties(0)}}}\n"
    f"@media screen and (prefers-color-scheme:dark){{:root{{{_properties(1)}}}}}\n"
    + _BASE.lstrip()
    + _PRINT.lstrip()
)
