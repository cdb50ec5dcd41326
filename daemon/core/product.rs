//! What is one thing for all pieces, or another for each product.

use crate::names::ProductName;
use alloc::collections::BTreeMap;

/// The same for all products, or one for each that is declared.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ByProduct<T> {
    /// The same for all, also for pieces whose product nobody told.
    All(T),
    /// One for each.
    Each(BTreeMap<ProductName, T>),
}

impl<T> ByProduct<T> {
    /// What there is for pieces of a product; none where it hangs on the product and that is not known.
    #[must_use]
    pub fn of(&self, product: Option<&ProductName>) -> Option<&T> {
        match self {
            Self::All(all) => Some(all),
            Self::Each(each) => each.get(product?),
        }
    }

    /// Whether it hangs on the product.
    #[must_use]
    pub fn differs(&self) -> bool {
        matches!(self, Self::Each(_))
    }

    /// All that there is, each with the product it is for; none: for all.
    pub fn each(&self) -> impl Iterator<Item = (Option<&ProductName>, &T)> {
        let (all, each) = match self {
            Self::All(all) => (Some((None, all)), None),
            Self::Each(each) => (None, Some(each)),
        };
        let each = each.into_iter().flatten();
        all.into_iter()
            .chain(each.map(|(product, one)| (Some(product), one)))
    }
}

impl<T: Clone> ByProduct<T> {
    /// What all products share, but for those of which something else is said.
    #[must_use]
    pub fn new<'p>(
        shared: T,
        mut apart: BTreeMap<ProductName, T>,
        products: impl IntoIterator<Item = &'p ProductName>,
    ) -> Self {
        if apart.is_empty() {
            return Self::All(shared);
        }
        for product in products {
            if !apart.contains_key(product) {
                apart.insert(product.clone(), shared.clone());
            }
        }
        Self::Each(apart)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::vec::Vec;

    #[test]
    fn what_hangs_on_the_product_is_known_where_that_is() {
        let products = ["gp-24", "gp-28"].map(ProductName::from);
        let [small, large] = &products;
        let unknown = ProductName::from("gp-32");
        let all = ByProduct::new(1, BTreeMap::new(), &products);
        for product in [None, Some(small), Some(&unknown)] {
            assert_eq!(all.of(product), Some(&1));
        }
        assert_eq!(all.each().collect::<Vec<_>>(), [(None, &1)]);
        assert!(!all.differs());

        let each = ByProduct::new(1, BTreeMap::from([(large.clone(), 2)]), &products);
        assert_eq!(each.of(Some(small)), Some(&1));
        assert_eq!(each.of(Some(large)), Some(&2));
        assert_eq!(each.of(Some(&unknown)), None);
        assert_eq!(each.of(None), None);
        assert!(each.differs());
        let found: Vec<_> = each.each().collect();
        assert_eq!(found, [(Some(small), &1), (Some(large), &2)]);
    }
}
