/* Names of the training families, in the order of their numbers in rows.inc.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "fade/internal.h"

const char *const wn_fade_families[] = {
    "nasa_pcoe",
    "calce",
    "severson2019_batch2",
    "attia2020_validation",
    "hust_ma2022",
    "rwth_baumhofer2014",
    "tju_zhu2022/nca",
    "tju_zhu2022/ncm",
    "tju_zhu2022/ncm_nca",
    "mohtat2021",
    "naumann2020",
    "devie2018",
    "xu2018",
    "bills2023",
    "zhang2020",
    "rolston2024",
    "rolston2024_cold",
};
const int wn_fade_family_count = sizeof wn_fade_families / sizeof wn_fade_families[0];
_Static_assert(sizeof wn_fade_families / sizeof wn_fade_families[0] <= WN_FADE_FAMILIES_MAX,
               "make WN_FADE_FAMILIES_MAX larger");
